package proof

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "rewrite the stored R values and METHODS.md from R on this machine")

const (
	storedValues = "testdata/stored.txt"
	storedEvery  = 7 // one data set of so many has its R values stored
)

// Digits of agreement by what a method rests on.
const (
	closed    = 10 // closed forms and exact tests
	tail      = 8  // quantities that need the tail or the quantile of a distribution
	iterative = 6  // fits
)

// method is one of ours in the terms of a data set: the numbers that reference.R
// prints under the same name, in the same order.
type method struct {
	digits float64
	slack  float64 // by how much the reference itself may be off
	ours   func(s *dataSet) ([]float64, error)
	covers []string // exported methods that this is a proof of
}

// answer is what R has for a method on a data set.
type answer struct {
	values  []float64
	refused bool
}

type key struct {
	set    int
	method string
}

func parseAnswers(t testing.TB, content []byte) (header string, answers map[key]answer) {
	t.Helper()
	answers = map[key]answer{}
	for k, line := range strings.Split(strings.TrimSpace(string(content)), "\n") {
		if strings.HasPrefix(line, "#") {
			header = strings.TrimPrefix(line, "# ")
			continue
		}
		field := strings.Split(line, "\t")
		if len(field) != 3 {
			t.Fatalf("line %d of R's values: %d fields, should be 3: %q", k+1, len(field), line)
		}
		set, err := strconv.Atoi(field[0])
		require.NoError(t, err)
		a := answer{refused: field[2] == "refused"}
		for _, text := range strings.Fields(field[2]) {
			if a.refused {
				break
			}
			x := math.NaN()
			if text != "NA" && text != "NaN" {
				x, err = strconv.ParseFloat(text, 64)
				require.NoError(t, err)
			}
			a.values = append(a.values, x)
		}
		answers[key{set, field[1]}] = a
	}
	return header, answers
}

// askR runs reference.R once on the sets.
func askR(t testing.TB, sets []*dataSet) []byte {
	t.Helper()
	data := filepath.Join(t.TempDir(), "sets.json")
	require.NoError(t, os.WriteFile(data, encode(sets), 0o600))
	command := exec.Command("Rscript", "testdata/reference.R", data)
	var complaint bytes.Buffer
	command.Stderr = &complaint
	content, err := command.Output()
	if err != nil {
		t.Fatalf("reference.R: %v\n%s", err, complaint.String())
	}
	return content
}

// tally is what the comparison of one method found.
type tally struct {
	sets, numbers, refused int
	rounded                int     // numbers that agree by rounding alone: nought beside the rest
	worst                  float64 // digits, at most 16, of the others
}

// rounding is what sums of doubles may be off by, as a share of the largest
// number of an answer.
const rounding = 2e-15

// digitsOf returns the significant digits to which got is want, at most 16.
func digitsOf(got, want float64) float64 {
	switch {
	case math.IsNaN(want):
		if math.IsNaN(got) || math.IsInf(got, 0) {
			return 16
		}
		return 0
	case got == want:
		return 16
	case math.IsInf(want, 0) || math.IsInf(got, 0) || math.IsNaN(got):
		return 0
	}
	return min(16, max(0, -math.Log10(math.Abs(got-want)/math.Abs(want))))
}

// compare compares our methods with R's answers and returns a tally a method.
func compare(t *testing.T, sets []*dataSet, answers map[key]answer) map[string]*tally {
	t.Helper()
	found := map[string]*tally{}
	for _, s := range sets {
		for name, m := range methods {
			theirs, asked := answers[key{s.id, name}]
			if !asked {
				continue
			}
			sum := found[name]
			if sum == nil {
				sum = &tally{worst: 16}
				found[name] = sum
			}
			place := fmt.Sprintf("%s on data set %d (%s)", name, s.id, s.family)
			got, err := m.ours(s)
			if theirs.refused {
				// R refuses what it cannot do or what reference.R does not
				// ask for; ours is then tested at the edges.
				sum.refused++
				continue
			}
			if err != nil {
				if !missing(theirs.values) {
					t.Errorf("%s: %v, R has %v", place, err, theirs.values)
				}
				sum.refused++
				continue
			}
			if len(got) != len(theirs.values) {
				t.Errorf("%s: %d numbers, R has %d", place, len(got), len(theirs.values))
				continue
			}
			sum.sets++
			scale := 0.0
			for _, w := range theirs.values {
				if !math.IsNaN(w) && !math.IsInf(w, 0) {
					scale = max(scale, math.Abs(w))
				}
			}
			for i, w := range theirs.values {
				sum.numbers++
				digits := digitsOf(got[i], w)
				if digits < m.digits && math.Abs(got[i]-w) <= max(m.slack, rounding*scale) {
					sum.rounded++
					continue
				}
				sum.worst = min(sum.worst, digits)
				if digits < m.digits {
					t.Errorf("%s, number %d: %.17g, R has %.17g (%.1f digits of %v)", place, i+1, got[i], w, digits, m.digits)
				}
			}
		}
	}
	return found
}

// missing reports whether R has a number that does not exist (NA, or a
// statistic of constant data), or only infinities.
func missing(values []float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return true
		}
	}
	return len(values) == 0
}

func summary(found map[string]*tally) (sets, comparisons, numbers int, lines []string) {
	for name, f := range found {
		if f.sets > 0 {
			sets++
		}
		comparisons += f.sets
		numbers += f.numbers
		lines = append(lines, fmt.Sprintf("%-40s %3d sets, %5d numbers (%d nought), at least %4.1f digits", name, f.sets, f.numbers, f.rounded, f.worst))
	}
	sort.Strings(lines)
	return sets, comparisons, numbers, lines
}

// On 232 seeded data sets R answers live, by one process.
func TestAgreesWithLiveR(t *testing.T) {
	sets := seededSets()
	require.GreaterOrEqual(t, len(sets), 200, "random data sets")
	if _, err := exec.LookPath("Rscript"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("Rscript is not on this machine, so nothing could be compared with live R")
		}
		t.Skip("left out: Rscript is not on this machine, so only the stored R values of one data set in seven were compared")
	}
	content := askR(t, sets)
	header, answers := parseAnswers(t, content)
	found := compare(t, sets, answers)
	compared, comparisons, numbers, lines := summary(found)
	t.Logf("%s\n%d data sets, %d methods, %d comparisons, %d numbers\n%s", header, len(sets), compared, comparisons, numbers, strings.Join(lines, "\n"))
	require.GreaterOrEqual(t, compared, 40, "methods compared with R")
	for name := range methods {
		require.Contains(t, found, name, "R was not asked for it")
		require.Positive(t, found[name].sets, "R refused %s on every data set", name)
	}
	require.GreaterOrEqual(t, comparisons, 3000, "comparisons of a method on a data set")
	if *update {
		store(t, content)
		writeMethods(t, header, found)
	}
}

// store keeps R's answers for one data set in storedEvery.
func store(t *testing.T, content []byte) {
	t.Helper()
	var kept bytes.Buffer
	for line := range strings.Lines(string(content)) {
		id, _, _ := strings.Cut(line, "\t")
		if set, err := strconv.Atoi(id); err != nil || set%storedEvery == 0 {
			kept.WriteString(line)
		}
	}
	require.NoError(t, os.WriteFile(storedValues, kept.Bytes(), 0o644))
}

// The same on what R answered when testdata/stored.txt was written, whether or
// not R is on this machine.
func TestAgreesWithStoredR(t *testing.T) {
	content, err := os.ReadFile(storedValues)
	require.NoError(t, err)
	header, answers := parseAnswers(t, content)
	require.Contains(t, header, "R version", "the version that the values are from")
	found := compare(t, seededSets(), answers)
	compared, comparisons, _, _ := summary(found)
	require.GreaterOrEqual(t, compared, 40)
	require.GreaterOrEqual(t, comparisons, 500)
}
