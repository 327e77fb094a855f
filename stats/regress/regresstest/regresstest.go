// Package regresstest reads data sets into frames for tests.
package regresstest

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"keratally/stats/regress"
)

// Reference reads one of the open data sets kept with the selfcheck's cases,
// from a package two levels below the module's root.
func Reference(t testing.TB, name string) *regress.Frame {
	t.Helper()
	return Read(t, filepath.Join("..", "selfcheck", "reference", "datasets", name+".csv"))
}

// Read reads a CSV file with a header. A column is numeric if every value is a
// number, and a factor otherwise; an empty field is missing.
func Read(t testing.TB, path string) *regress.Frame {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	records, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows := records[1:]
	frame := regress.NewFrame(len(rows))
	for j, title := range records[0] {
		numbers, texts, numeric := make([]float64, len(rows)), make([]string, len(rows)), true
		for i, r := range rows {
			texts[i], numbers[i] = strings.TrimSpace(r[j]), math.NaN()
			if texts[i] != "" {
				v, err := strconv.ParseFloat(texts[i], 64)
				numbers[i], numeric = v, numeric && err == nil
			}
		}
		if numeric {
			err = frame.AddNumbers(title, numbers)
		} else {
			err = frame.AddFactor(title, texts)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return frame
}
