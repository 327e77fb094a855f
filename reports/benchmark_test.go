package reports_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"keratally/registry"
	"keratally/reports"
)

var nan = math.NaN()

func formulaAt(t *testing.T, f *excelize.File, sheet string, column, row int) string {
	t.Helper()
	at, err := excelize.CoordinatesToCellName(column, row)
	require.NoError(t, err)
	formula, err := f.GetCellFormula(sheet, at)
	require.NoError(t, err)
	return formula
}

const threeStudies = `
[[study]]
name = "one"
citation = "One 2014"
seen = "abstract"
[[study.arm]]
name = "standard"
family = "standard"
n = 46
change = [ { measure = "kmax", window = "month-12", mean = -0.72, se = 0.15 } ]
baseline = [ { measure = "kmax", mean = 57.8, sd = 7.1 } ]
rate = [ { event = "kmax-steeper-1", window = "month-12", events = 8, n = 35 }, { event = "scar", events = 0, n = 35, seen = "memory" } ]

[[study]]
name = "two"
citation = "Two 2019"
seen = "memory"
[[study.arm]]
name = "standard"
family = "standard"
n = 10
change = [ { measure = "kmax", window = "month-12", mean = 0.78, sd = 1.65 } ]

[[study]]
name = "three"
citation = "Three 2014"
seen = "source"
[[study.arm]]
name = "standard"
family = "standard"
n = 81
change = [ { measure = "kmax", window = "month-12", mean = -0.76, sd = 2.7 }, { measure = "cdva", window = "month-12", mean = -0.1 }, { measure = "kmax", window = "month-500", mean = -1 } ]
`

// R 4.2.2, testdata/compare.R, last block: Welch from n, mean and SE by hand,
// and metafor's rma with fixed effect, DL and REML.
func TestBenchmark(t *testing.T) {
	studies, err := reports.ParseStudies([]byte(threeStudies))
	require.NoError(t, err)
	b, err := reports.NewBenchmark(source(t, comparedEyes(t, false, "A", "B").Freeze()), studies)
	require.NoError(t, err)
	first := b.Changes[0]
	require.NoError(t, first.DifferenceErr)
	require.InDelta(t, -0.1027272727, first.Difference.Estimate, 1e-8)
	require.InDelta(t, -0.5493682578, first.Difference.Interval.Lower, 1e-8)
	require.InDelta(t, 0.3439137123, first.Difference.Interval.Upper, 1e-8)
	require.InDelta(t, 53.2277760841, first.Difference.DF, 1e-6)
	require.InDelta(t, 0.15*math.Sqrt(46), first.SD, 1e-12)
	require.Len(t, b.Pools, 1)
	p := b.Pools[0]
	require.NoError(t, p.Err)
	require.InDelta(t, -0.6344806202, p.Fixed.Estimate, 1e-8)
	require.InDelta(t, -0.8891531917, p.Fixed.Interval.Lower, 1e-8)
	require.InDelta(t, -0.3975862844, p.DL.Estimate, 1e-8)
	require.InDelta(t, 74.5192679107, p.DL.I2, 1e-6)
	require.InDelta(t, -0.3411394731, p.REML.Estimate, 1e-5)
	require.InDelta(t, 0.4780489544, p.REML.Tau2, 1e-5)
	// neither a spread nor an own value, and a window that is not in use
	require.ErrorContains(t, b.Changes[4].DifferenceErr, "not compared: the windows in use have no month-500")
	require.ErrorContains(t, b.Changes[3].DifferenceErr, "not compared: the cohort has 0 eyes with it")
	doc, err := b.Document()
	require.NoError(t, err)
	requireWhole(t, doc)
	for _, line := range b.Sentences() {
		for _, verdict := range []string{"better", "worse"} {
			require.NotContains(t, line, verdict)
		}
	}
}

func knownKind(key string) bool {
	_, ok := registry.DefaultComplications().Find(key)
	return ok
}

// A cohort of any size beside every set that the program comes with.
func TestBenchmarkSets(t *testing.T) {
	for _, name := range reports.BuiltInStudyNames() {
		set, ok, err := reports.BuiltInStudies(name)
		require.NoError(t, err)
		require.True(t, ok)
		require.NotEmpty(t, set)
		for _, eyes := range []int{0, 3, 12} {
			b, err := reports.NewBenchmark(source(t, few(t, eyes, "STD", "S").Freeze()), set)
			require.NoError(t, err)
			doc, err := b.Document()
			require.NoError(t, err)
			requireWhole(t, doc)
		}
		for i := range set {
			for _, arm := range set[i].Arms {
				for _, r := range arm.Rate {
					if r.Window == "" {
						require.True(t, knownKind(r.Event), "%s: %s is no kind of the list", set[i].Name, r.Event)
					}
				}
			}
		}
	}
	_, ok, err := reports.BuiltInStudies("nothing")
	require.NoError(t, err)
	require.False(t, ok)
}

// A set is refused whole, with every fault and what would be right.
func TestParseStudiesRefuses(t *testing.T) {
	study := "[[study]]\nname = \"s\"\ncitation = \"c\"\nseen = \"abstract\"\n"
	arm := study + "[[study.arm]]\nname = \"a\"\nn = 20\n"
	for text, want := range map[string]string{
		"":                   "there is no [[study]]",
		study + "size = 3\n": "a key is not known",
		strings.Replace(study, "abstract", "rumour", 1): "should be source, abstract, summary, computed or memory",
		strings.Replace(study, "\"c\"", "\"\"", 1):      "should name the source",
		study + study: "should be a short name of its own",
		arm + "change = [ { measure = \"kmaxx\", window = \"month-12\", mean = 1 } ]\n":                "should be the key of a measure",
		arm + "change = [ { measure = \"kmax\", window = \"month-12\", mean = 1, sd = 1, se = 1 } ]\n": "should have one of sd, se and ci",
		arm + "change = [ { measure = \"kmax\", window = \"month-12\", mean = 1, ci = [2, 3] } ]\n":    "should be two limits around the mean",
		arm + "change = [ { measure = \"cdva\", window = \"month-12\", mean = 5.7 } ]\n":               "should be in logMAR, not in letters",
		arm + "rate = [ { event = \"scar\", events = 3, n = 2 } ]\n":                                   "should be 0 to n",
		arm + "rate = [ { event = \"kmax-steeper-1\", events = 1, n = 2 } ]\n":                         "a share (cdva-gained-2",
	} {
		_, err := reports.ParseStudies([]byte(text))
		require.ErrorContains(t, err, want)
	}
}
