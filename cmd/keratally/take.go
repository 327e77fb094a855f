package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"keratally/registry/intake"
	"keratally/registry/pgstore"
)

// takeOptions say how a file is taken in.
type takeOptions struct {
	person   string
	dryRun   bool
	progress func(read, size int64)
}

// takeFile takes one spreadsheet in through a mapping file. Rows that were
// refused are written to a workbook beside the file, whose name the result has.
func takeFile(a *app, store *pgstore.Store, path, mappingPath string, o takeOptions) (*intake.Result, error) {
	text, err := os.ReadFile(mappingPath)
	if err != nil {
		return nil, err
	}
	mapping, err := intake.ParseMapping(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", mappingPath, err)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	hash := sha256.New()
	if _, err := io.Copy(hash, f); err != nil {
		return nil, err
	}
	book, err := intake.Read(f, info.Size(), filepath.Base(path), mapping.File)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	result, err := intake.Take(a.ctx, store.NewIntake(), book, mapping, intake.Options{
		Today: a.day(), Person: o.person, SHA256: hex.EncodeToString(hash.Sum(nil)), DryRun: o.dryRun, Progress: o.progress,
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return result, keepRefusals(path, result)
}

// keepRefusals writes the refused rows beside the input; where there are none,
// the workbook of an earlier run is removed, because it no longer holds.
func keepRefusals(path string, result *intake.Result) error {
	beside := strings.TrimSuffix(path, filepath.Ext(path)) + "-refused.xlsx"
	if len(result.Refusals) == 0 {
		if err := os.Remove(beside); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		return nil
	}
	result.RefusalBook = beside
	return writeFile(beside, result.WriteRefusals)
}
