package main

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/google/uuid"

	"keratally/registry"
	"keratally/registry/cohort"
	"keratally/registry/pgstore"
	"keratally/registry/snapshot"
	"keratally/reports/export"
)

// exportCmd releases a cohort without identities and writes down that it did.
type exportCmd struct {
	Cohort           string `help:"Cohort file; without one, the first cross-linking of every eye." type:"existingfile" placeholder:"FILE"`
	Format           string `help:"Format of the tables: csv, xlsx or parquet." enum:"csv,xlsx,parquet" default:"csv"`
	Purpose          string `help:"What the export is for; kept in the log." placeholder:"TEXT"`
	Person           string `help:"To whom it is released; kept in the log." placeholder:"NAME"`
	Ages             string `help:"Ages in bands or in years." enum:"bands,years" default:"bands"`
	Days             string `help:"Days after treatment instead of dates; there is no other way." enum:"study" default:"study"`
	WithText         bool   `help:"Also codes, names and words as entered, which may tell who somebody is."`
	SmallCells       int    `help:"Fewest patients alike in sex, age, diagnosis and protocol; that of the definitions without one." placeholder:"N"`
	Suppress         bool   `help:"Leave out age, sex and diagnosis, in this order, where fewer patients are alike, and then the episodes that are still alone."`
	AcceptSmallCells string `help:"Release groups of fewer patients all the same, for this reason, which is kept in the log." placeholder:"REASON"`
	Windows          string `help:"Name of the set of visit windows." default:"default"`
	Snapshot         string `help:"Export from a kept snapshot instead of the database, which still keeps the log." type:"existingfile" placeholder:"FILE"`
	CutOff           string `help:"Last day whose records are included; today without one." placeholder:"DAY"`
	Again            string `help:"Make an earlier export again, byte for byte, by its identity in the log." placeholder:"ID"`
	Log              bool   `help:"List what was exported."`
	Out              string `help:"Folder to write to." default:"keratally-export" placeholder:"DIR"`
}

// Run exports, makes an export again, or lists the log.
func (c *exportCmd) Run(a *app) error {
	if !c.Log && c.Again == "" {
		for _, need := range [][2]string{{"purpose", c.Purpose}, {"person", c.Person}} {
			if strings.TrimSpace(need[1]) == "" {
				return fmt.Errorf("--%s: should say %s", need[0], map[string]string{"purpose": "what the export is for", "person": "to whom it is released"}[need[0]])
			}
		}
	}
	store, err := a.store()
	if err != nil {
		return err
	}
	switch {
	case c.Log:
		return c.list(a, store)
	case c.Again != "":
		return c.again(a, store)
	}
	return c.release(a, store)
}

// release makes an export, writes it into the log and then into the folder:
// nothing goes out that the log does not have.
func (c *exportCmd) release(a *app, store *pgstore.Store) error {
	who, text, err := c.who()
	if err != nil {
		return err
	}
	snap, err := c.freeze(a)
	if err != nil {
		return err
	}
	defs := registry.DefaultDefinitions()
	i := slices.IndexFunc(registry.BuiltInWindows(), func(w registry.WindowSet) bool { return w.Name == c.Windows })
	if i < 0 {
		return fmt.Errorf("--windows %q: should be default or strict", c.Windows)
	}
	defs.Windows = registry.BuiltInWindows()[i]
	opts := export.Options{Format: c.Format, Ages: c.Ages, WithText: c.WithText, SmallCells: c.SmallCells, Suppress: c.Suppress,
		Accept: strings.TrimSpace(c.AcceptSmallCells) != "", Program: release}
	secret, err := store.ExportSecret(a.ctx)
	if err != nil {
		return err
	}
	opts.Key = c.key(secret, snap.ID, text)
	made, files, err := makeExport(snap, defs, who, opts)
	if err != nil {
		return err
	}
	if err := roomFor(c.Out, files); err != nil {
		return err
	}
	entry, err := c.entry(made, files, text, defs)
	if err != nil {
		return err
	}
	id, err := store.LogExport(a.ctx, entry, snap)
	if err != nil {
		return err
	}
	if err := writeExport(c.Out, files); err != nil {
		return fmt.Errorf("the export is in the log as %s and not in %s: %w: make it again with keratally export --again %s --out DIR", id, c.Out, err, id)
	}
	c.tell(a, made, files, id)
	return nil
}

// tell says what was released.
func (c *exportCmd) tell(a *app, made *export.Export, files []export.File, id registry.ID) {
	for _, t := range made.Tables {
		a.say("%-14s %7d rows, %d columns", t.Name, t.Rows(), len(t.Columns))
	}
	for _, s := range made.Suppressed {
		a.say("withheld: %d values of %s, because too few patients were alike", s.Values, s.Column)
	}
	if made.LeftOut > 0 {
		a.say("left out: %d episodes, because too few patients were alike even so", made.LeftOut)
	}
	if len(made.Cells) > 0 {
		a.say("%d groups of fewer than %d patients alike are in it, the smallest first:", len(made.Cells), made.Options.SmallCells)
		for i, cell := range made.Cells {
			if i == 10 {
				a.say("  and %d more", len(made.Cells)-i)
				break
			}
			a.say("  %s", cell)
		}
	} else if made.Groups > 0 {
		a.say("The smallest group of patients alike in sex, age, diagnosis and protocol has %d; the threshold is %d.", made.Smallest, made.Options.SmallCells)
	}
	a.say("\nThe export is in %s (%d files). It is in the log as %s;", c.Out, len(files), id)
	a.say("the same bytes come again with keratally export --again %s --out DIR.", id)
}

func (c *exportCmd) who() (cohort.Cohort, []byte, error) {
	if c.Cohort == "" {
		who := cohort.Everyone()
		text, err := who.Text()
		return who, text, err
	}
	text, err := os.ReadFile(c.Cohort)
	if err != nil {
		return cohort.Cohort{}, nil, err
	}
	who, err := cohort.Parse(text)
	if err != nil {
		return who, nil, fmt.Errorf("%s: %w", c.Cohort, err)
	}
	return who, text, nil
}

func (c *exportCmd) freeze(a *app) (*snapshot.Snapshot, error) {
	cutOff := a.day()
	if c.CutOff != "" {
		if c.Snapshot != "" {
			return nil, fmt.Errorf("--cut-off %s: a kept snapshot has its own: leave one of the two out", c.CutOff)
		}
		var err error
		if cutOff, err = registry.ParseISODate(c.CutOff); err != nil {
			return nil, fmt.Errorf("--cut-off %w", err)
		}
	}
	return freeze(a, c.Snapshot, cutOff)
}

// key draws the key of the numbers from the registry's secret and from what is
// exported, to whom and what for: the same command gives the same numbers, and
// two recipients cannot match theirs.
func (c *exportCmd) key(secret []byte, snapshotID string, cohortText []byte) []byte {
	h := hmac.New(sha256.New, secret)
	for _, part := range []string{snapshotID, string(cohortText), c.Purpose, c.Person, c.Windows} {
		fmt.Fprintf(h, "%d\n%s", len(part), part)
	}
	return h.Sum(nil)
}

func makeExport(snap *snapshot.Snapshot, defs registry.Definitions, who cohort.Cohort, opts export.Options) (*export.Export, []export.File, error) {
	all, err := snap.Outcomes(defs)
	if err != nil {
		return nil, nil, err
	}
	kept, flow, err := who.Apply(all)
	if err != nil {
		return nil, nil, err
	}
	made, err := export.New(kept, who, flow, opts)
	if err != nil {
		return nil, nil, err
	}
	if err := made.Releasable(); err != nil {
		return nil, nil, err
	}
	files, err := made.Files()
	return made, files, err
}

func (c *exportCmd) entry(made *export.Export, files []export.File, cohortText []byte, defs registry.Definitions) (pgstore.ExportEntry, error) {
	options, err := json.Marshal(made.Options)
	if err != nil {
		return pgstore.ExportEntry{}, err
	}
	definitions, err := export.EncodeDefinitions(defs)
	if err != nil {
		return pgstore.ExportEntry{}, err
	}
	e := pgstore.ExportEntry{Purpose: c.Purpose, Person: c.Person, Cohort: string(cohortText), Options: string(options), Definitions: string(definitions),
		Program: version(), SmallestCell: made.Smallest, SmallCells: len(made.Cells), Accepted: c.AcceptSmallCells}
	for _, f := range files {
		e.Files = append(e.Files, pgstore.LoggedFile{Name: f.Name, Bytes: len(f.Content), SHA256: f.SHA256})
	}
	return e, nil
}

// again makes a logged export once more and writes it only if every byte is
// the same.
func (c *exportCmd) again(a *app, store *pgstore.Store) error {
	id, err := uuid.Parse(c.Again)
	if err != nil {
		return fmt.Errorf("--again %q: should be the identity of an export, as keratally export --log lists them", c.Again)
	}
	entry, snap, err := store.Export(a.ctx, id)
	if err != nil {
		return err
	}
	who, err := cohort.Parse([]byte(entry.Cohort))
	if err != nil {
		return fmt.Errorf("export %s: %w", id, err)
	}
	defs, err := export.DecodeDefinitions([]byte(entry.Definitions))
	if err != nil {
		return fmt.Errorf("export %s: %w", id, err)
	}
	var opts export.Options
	if err := json.Unmarshal([]byte(entry.Options), &opts); err != nil {
		return fmt.Errorf("export %s, options: %w", id, err)
	}
	_, files, err := makeExport(snap, defs, who, opts)
	if err != nil {
		return fmt.Errorf("export %s: %w", id, err)
	}
	if other := different(entry.Files, files); len(other) > 0 {
		return fmt.Errorf("export %s: %s would not be as they were; it was made by keratally %s, this is %s: use that version. nothing was written", id, strings.Join(other, ", "), entry.Program, version())
	}
	if err := roomFor(c.Out, files); err != nil {
		return err
	}
	if err := writeExport(c.Out, files); err != nil {
		return err
	}
	a.say("The export of %s is in %s again, every byte as it was (%d files).", registry.DateOf(entry.MadeAt).Long(), c.Out, len(files))
	return nil
}

// different returns the names of the files that are not as logged.
func different(logged []pgstore.LoggedFile, files []export.File) []string {
	want := map[string]string{}
	for _, f := range logged {
		want[f.Name] = f.SHA256
	}
	var names []string
	for _, f := range files {
		if want[f.Name] != f.SHA256 {
			names = append(names, f.Name)
		}
		delete(want, f.Name)
	}
	for name := range want {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// list prints the log.
func (c *exportCmd) list(a *app, store *pgstore.Store) error {
	entries, err := store.Exports(a.ctx)
	if err != nil {
		return err
	}
	if len(entries) == 0 {
		a.say("Nothing was exported yet. Each export is listed here with its purpose and the person it went to.")
	}
	for _, e := range entries {
		a.say("%s  %s  for %s: %s", e.ID, registry.DateOf(e.MadeAt), e.Person, e.Purpose)
		said := fmt.Sprintf("data to %s, snapshot %.12s, %d files, smallest group %d", e.CutOff, e.Snapshot, len(e.Files), e.SmallestCell)
		if e.SmallCells > 0 {
			said += fmt.Sprintf("; %d small groups released: %s", e.SmallCells, e.Accepted)
		}
		a.say("  %s", said)
	}
	return nil
}

// roomFor returns an error where the folder holds files of anything else: two
// exports in one folder would be taken for one.
func roomFor(dir string, files []export.File) error {
	there, err := os.ReadDir(dir)
	if os.IsNotExist(err) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, f := range there {
		if !slices.ContainsFunc(files, func(one export.File) bool { return one.Name == f.Name() }) {
			return fmt.Errorf("--out %s: should be a new folder, an empty one, or one of an earlier export of the same format: found %s", dir, f.Name())
		}
	}
	return nil
}

func writeExport(dir string, files []export.File) error {
	for _, f := range files {
		err := writeFile(filepath.Join(dir, f.Name), func(w io.Writer) error {
			_, err := w.Write(f.Content)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}
