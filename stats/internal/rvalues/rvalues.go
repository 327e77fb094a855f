// Package rvalues lets tests compare with values that R printed: a text file
// with one line a quantity, its name, a tab, and numbers of 17 digits with NA
// where R has none. The script that made the file lies beside it.
package rvalues

import (
	"bytes"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// Values are the quantities of a file by name.
type Values map[string][]float64

// Read reads a file, or fails the test.
func Read(t testing.TB, path string) Values {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return parse(t, path, content)
}

// Live runs the script that made a file with another seed, for new data and
// R's values for them. Without R the test is skipped, saying so; under CI=true
// it fails.
func Live(t testing.TB, script string, seed int) Values {
	t.Helper()
	program, err := exec.LookPath("Rscript")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("Rscript is not on this machine, so %s could not be run on new data", script)
		}
		t.Skipf("left out: Rscript is not on this machine, so only the stored values of %s were compared", script)
	}
	command := exec.Command(program, script, strconv.Itoa(seed))
	var complaint bytes.Buffer
	command.Stderr = &complaint
	content, err := command.Output()
	if err != nil {
		t.Fatalf("%s with seed %d: %v\n%s", script, seed, err, complaint.String())
	}
	return parse(t, script, content)
}

func parse(t testing.TB, path string, content []byte) Values {
	t.Helper()
	v := Values{}
	for k, line := range strings.Split(strings.TrimSpace(string(content)), "\n") {
		name, numbers, ok := strings.Cut(line, "\t")
		if !ok {
			t.Fatalf("%s, line %d: no tab after the name", path, k+1)
		}
		for _, text := range strings.Fields(numbers) {
			x := math.NaN()
			if text != "NA" {
				var err error
				if x, err = strconv.ParseFloat(text, 64); err != nil {
					t.Fatalf("%s, line %d: %v", path, k+1, err)
				}
			}
			v[name] = append(v[name], x)
		}
	}
	return v
}

// Ints returns a quantity of whole numbers.
func (v Values) Ints(name string) []int {
	out := make([]int, len(v[name]))
	for i, x := range v[name] {
		out[i] = int(x)
	}
	return out
}

// Bools returns a quantity of zeros and ones.
func (v Values) Bools(name string) []bool {
	out := make([]bool, len(v[name]))
	for i, x := range v[name] {
		out[i] = x == 1
	}
	return out
}

// Agree requires got to be the stored numbers to the given share of their
// size, or of one millionth where they are smaller. Where R has NA, got is NaN
// or +Inf (a time not reached).
func (v Values) Agree(t testing.TB, name string, share float64, got ...float64) {
	t.Helper()
	want, ok := v[name]
	if !ok {
		t.Fatalf("there is no stored %s", name)
	}
	if len(got) != len(want) {
		t.Fatalf("%s: %d values, stored %d", name, len(got), len(want))
	}
	for i, w := range want {
		switch g := got[i]; {
		case math.IsNaN(w):
			if !math.IsNaN(g) && !math.IsInf(g, 1) {
				t.Errorf("%s[%d] is %v, should not exist", name, i, g)
			}
		case !(math.Abs(g-w) <= share*max(1e-6, math.Abs(w))):
			t.Errorf("%s[%d] is %v, stored %v", name, i, g, w)
		}
	}
}
