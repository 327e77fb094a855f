package reports_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot/snaptest"
	"keratally/reports"
	"keratally/reports/figure"
	"keratally/reports/workbook"
	"keratally/stats"
)

// comparedEyes is testdata/compare.csv as a registry, 22 eyes of 22 patients
// or, with second eyes, 30 of 22. Names of the two protocols are given.
func comparedEyes(t *testing.T, secondEyes bool, a, b string) *snaptest.Builder {
	t.Helper()
	f, err := os.Open("testdata/compare.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 31)
	out := snaptest.New(t, "2026-09-30")
	protocol := map[string]int32{"A": out.Protocol("N", registry.Protocol{Code: a, Version: 1, Name: a}), "B": out.Protocol("N", registry.Protocol{Code: b, Version: 1, Name: b})}
	clinician := out.Clinician("N", "S")
	number := func(s string) int {
		n, err := strconv.Atoi(s)
		require.NoError(t, err)
		return n
	}
	patients := map[string]int32{}
	for _, r := range rows[1:] {
		who, known := patients[r[0]]
		if known && !secondEyes {
			continue
		}
		if !known {
			who = out.Patient("N", registry.Patient{Code: r[0], Sex: "female", BirthYear: int16(number(r[3]))})
			patients[r[0]] = who
		}
		side := measure.Right
		if r[1] == "left" {
			side = measure.Left
		}
		eye := out.Eye(who, side, "keratoconus")
		out.Treat(eye, "2025-01-10", protocol[r[2]], clinician)
		out.Visit(eye, "2025-01-02", snaptest.Values{registry.Kmax: measure.Steps(number(r[4])), registry.Thinnest: measure.Steps(number(r[5]))}, nil)
		out.Visit(eye, "2026-01-10", snaptest.Values{registry.Kmax: measure.Steps(number(r[6]))}, nil)
	}
	return out
}

func compared(t *testing.T, b *snaptest.Builder, groups ...string) *reports.Comparison {
	t.Helper()
	s := source(t, b.Freeze())
	c, err := reports.NewComparison(s, reports.NewComparisonSpec(s.Outcomes.Definitions, "protocol", groups))
	require.NoError(t, err)
	return c
}

func requireResult(t *testing.T, r stats.Result, err error, estimate, lower, upper, p float64) {
	t.Helper()
	require.NoError(t, err)
	const digits = 1e-6 // R prints ten
	require.InDelta(t, estimate, r.Estimate, digits)
	require.InDelta(t, lower, r.Interval.Lower, digits)
	require.InDelta(t, upper, r.Interval.Upper, digits)
	require.InDelta(t, p, r.P, digits)
}

// R 4.2.2, testdata/compare.R, first block: t.test, lm, a weighted mean with
// its sandwich, power.t.test. Without second eyes the headline is Welch's test
// itself.
func TestCompareOneEyeEach(t *testing.T) {
	c := compared(t, comparedEyes(t, false, "A", "B"), "A", "B")
	k := &c.Primary.Contrasts[0]
	requireResult(t, k.Welch, k.WelchErr, -0.1181818182, -0.8200304531, 0.5836668168, 0.7289862442)
	require.InDelta(t, 19.8636260036, k.Welch.DF, 1e-6)
	requireResult(t, k.Headline, k.HeadlineErr, k.Welch.Estimate, k.Welch.Interval.Lower, k.Welch.Interval.Upper, k.Welch.P)
	require.Equal(t, "Welch t", k.Headline.Method)
	require.InDelta(t, -0.1, k.Shift.Estimate, 1e-9)
	requireResult(t, k.Adjusted, k.AdjustedErr, -0.06521846498, -0.86466798855, 0.73423105858, 0.86537783358)
	requireResult(t, k.Weighted, k.WeightedErr, -0.1324670776, -1.0165809638, 0.7516468086, 0.7690161516)
	require.InDelta(t, 0.4542065199, k.Before[0].Difference, 1e-6)
	require.InDelta(t, 0, k.After[0].Difference, 1e-6, "overlap weights balance the means of a logistic model exactly (Li, Morgan & Zaslavsky 2018, theorem 3)")
	require.InDelta(t, -0.7901180402, c.Primary.Means[0].Estimate, 1e-6)
	require.InDelta(t, -0.8553365052, c.Primary.Means[1].Estimate, 1e-6)
	require.InDelta(t, 0.9906039725, k.Detectable, 1e-6)
	require.Zero(t, c.Primary.TwoEyes)
}

// R 4.2.2, testdata/compare.R, second block: lmerTest, clubSandwich CR2, and
// the sandwich with the scores summed by patient.
func TestCompareTwoEyes(t *testing.T) {
	c := compared(t, comparedEyes(t, true, "A", "B"), "A", "B")
	k := &c.Primary.Contrasts[0]
	requireResult(t, k.Welch, k.WelchErr, -0.4200000000, -1.0469895893, 0.2069895893, 0.1805786545)
	// lmer stops at a tolerance of its own: five digits
	require.NoError(t, k.HeadlineErr)
	require.InDelta(t, -0.2672393, k.Headline.Estimate, 2e-5)
	require.InDelta(t, -0.9963857, k.Headline.Interval.Lower, 2e-5)
	require.InDelta(t, 0.4619071, k.Headline.Interval.Upper, 2e-5)
	require.InDelta(t, 0.4533670, k.Headline.P, 2e-5)
	require.InDelta(t, 0.6798075, c.Primary.Within, 2e-5)
	requireResult(t, k.Adjusted, k.AdjustedErr, -0.3106441847, -1.5263550353, 0.9050666658, 0.5718080563)
	require.InDelta(t, 7.9757001860, k.Adjusted.DF, 1e-5)
	requireResult(t, k.Weighted, k.WeightedErr, -0.3434224768, -1.1772067189, 0.4903617653, 0.4195063287)
	require.Equal(t, 8, c.Primary.TwoEyes)
}

// The other order of the groups is the same difference with the other sign.
func TestCompareOrder(t *testing.T) {
	ab, ba := compared(t, comparedEyes(t, true, "A", "B"), "A", "B"), compared(t, comparedEyes(t, true, "A", "B"), "B", "A")
	for i, r := range []stats.Result{ab.Primary.Contrasts[0].Headline, ab.Primary.Contrasts[0].Adjusted, ab.Primary.Contrasts[0].Weighted} {
		other := []stats.Result{ba.Primary.Contrasts[0].Headline, ba.Primary.Contrasts[0].Adjusted, ba.Primary.Contrasts[0].Weighted}[i]
		require.InDelta(t, r.Estimate, -other.Estimate, 1e-7)
		require.InDelta(t, r.Interval.Lower, -other.Interval.Upper, 1e-7)
		require.InDelta(t, r.P, other.P, 1e-7)
	}
}

// Both statements can hold at once. PMC5596229 prints +0.49 D (0.04 to 0.94):
// above 0, so worse in direction, and below the margin of 1.0 D.
func TestVerdict(t *testing.T) {
	c := compared(t, comparedEyes(t, false, "standard", "accelerated"), "standard", "accelerated")
	k := &c.Primary.Contrasts[0]
	verdict := func(lower, upper float64) string {
		r := stats.NewResult("", 100)
		r.Estimate = (lower + upper) / 2
		r.SE = (upper - lower) / 2 / 1.959963984540054 // normal
		r.Interval = stats.Interval{Estimate: r.Estimate, Lower: lower, Upper: upper, Level: 0.95}
		return c.Verdict(&c.Primary, k, r, nan)
	}
	require.Equal(t, "A difference was shown: the interval lies above 0, in favour of standard. accelerated is non-inferior to standard within 1.00 D (the upper limit is 0.94); the two are equivalent within ± 1.00 D.", verdict(0.04, 0.94))
	require.Equal(t, "A difference was not shown; that is no proof of none. accelerated was not shown to be non-inferior to standard within 1.00 D (the upper limit is 1.20); equivalence within ± 1.00 D was not shown.", verdict(-0.2, 1.2))
	require.Equal(t, "A difference was shown: the interval lies below 0, in favour of accelerated. accelerated is non-inferior to standard within 1.00 D (the upper limit is −0.50); equivalence within ± 1.00 D was not shown.", verdict(-1.5, -0.5))
}

// Hand counts, and Newcombe's difference from the Soeters trial's shares: 8 of
// 35 less 0 of 26 is 22.9 % (6.1 to 39.0); Fisher p 0.0163 (R 4.2.2,
// fisher.test). One eye a patient, so both are the headline.
func TestCompareRates(t *testing.T) {
	b := snaptest.New(t, "2026-09-30")
	for g, n := range []int{26, 35} {
		code := string(rune('A' + g))
		p := b.Protocol("N", registry.Protocol{Code: code, Version: 1, Name: code})
		for i := range n {
			eye := b.Eye(b.Patient("N", registry.Patient{Code: fmt.Sprintf("%s%02d", code, i), Sex: "male", BirthYear: 2000}), measure.Right, "keratoconus")
			b.Treat(eye, "2025-01-10", p, b.Clinician("N", "S"))
			rise := measure.Steps(-100 + i%3)
			if g == 1 && i < 8 {
				rise = 100
			}
			b.Visit(eye, "2025-01-02", snaptest.Values{registry.Kmax: 5500}, nil)
			b.Visit(eye, "2026-01-10", snaptest.Values{registry.Kmax: 5500 + rise}, nil)
		}
	}
	c := compared(t, b, "A", "B")
	for i := range c.Rates {
		if c.Rates[i].Key != "kmax-steeper-1" {
			continue
		}
		k := &c.Rates[i].Contrasts[0]
		require.NoError(t, k.HeadlineErr)
		require.InDelta(t, 0.229, k.Headline.Estimate, 0.0005)
		require.InDelta(t, 0.061, k.Headline.Interval.Lower, 0.0005)
		require.InDelta(t, 0.390, k.Headline.Interval.Upper, 0.0005)
		require.InDelta(t, 0.0163, k.Headline.P, 0.00005)
		require.GreaterOrEqual(t, k.Holm, k.Headline.P)
		return
	}
	t.Fatal("the share of steeper eyes is not compared")
}

// Whatever the cohort, every sheet is written, none holds NaN or an error
// value, and one without rows says why.
func TestCompareAnyCohort(t *testing.T) {
	long := strings.Repeat("Ångström-Ñandú ", 5) + "שמות"
	for name, tt := range map[string]struct {
		b      *snaptest.Builder
		by     string
		groups []string
		says   string
	}{
		"no eye":            {few(t, 0, "STD", "S"), "protocol", []string{"STD", "ACC"}, "The cohort holds no eye"},
		"three eyes":        {few(t, 3, "STD", "S"), "protocol", []string{"STD", "ACC"}, "not tested: STD has 3 eyes with this measure, fewer than 5"},
		"one group missing": {few(t, 12, "STD", "S"), "protocol", []string{"STD", "ACC"}, "ACC (no eye in this cohort)"},
		"one group":         {few(t, 12, "STD", "S"), "protocol", nil, "A comparison needs two groups"},
		"a formula as name": {comparedEyes(t, true, `=HYPERLINK("x")`, "B"), "protocol", []string{`=HYPERLINK("x")`, "B"}, `=HYPERLINK("x") (15 eyes`},
		"a long name":       {few(t, 12, "STD", long), "clinician", []string{"Clinician " + long}, "Clinician " + long},
		"periods":           {few(t, 12, "STD", "S"), "period", []string{"2024", "2025Q1"}, "2024 (no eye in this cohort), 2025Q1 (12 eyes of 6 patients)"},
	} {
		t.Run(name, func(t *testing.T) {
			s := source(t, tt.b.Freeze())
			c, err := reports.NewComparison(s, reports.NewComparisonSpec(s.Outcomes.Definitions, tt.by, tt.groups))
			require.NoError(t, err)
			require.Contains(t, strings.Join(c.Sentences(), "\n"), tt.says)
			doc, err := c.Document()
			require.NoError(t, err)
			requireWhole(t, doc)
		})
	}
}

// requireWhole writes the workbook and looks at every cell.
func requireWhole(t *testing.T, doc *reports.Document) {
	t.Helper()
	f := bookOf(t, doc)
	names := map[string]bool{}
	for _, s := range doc.Sections {
		require.LessOrEqual(t, len([]rune(s.Name)), 25, s.Name)
		require.False(t, names[s.Name], s.Name)
		names[s.Name] = true
		if s.Table != nil && s.Table.Len() == 0 {
			require.NotEmpty(t, s.Empty, "sheet %s without rows should say so", s.Name)
		}
		rows, err := f.GetRows(s.Name)
		require.NoError(t, err)
		for r, row := range rows {
			for c, cell := range row {
				require.NotContains(t, cell, "NaN", "sheet %s", s.Name)
				require.NotContains(t, cell, "Inf", "sheet %s", s.Name)
				require.False(t, strings.HasPrefix(cell, "#"), "sheet %s holds %s", s.Name, cell)
				require.Empty(t, formulaAt(t, f, s.Name, c+1, r+1))
			}
		}
	}
}

// The same source is the same workbook, byte for byte.
func TestCompareSameBytes(t *testing.T) {
	write := func() []byte {
		doc, err := compared(t, comparedEyes(t, true, "A", "B"), "A", "B").Document()
		require.NoError(t, err)
		var out bytes.Buffer
		require.NoError(t, workbook.WriteWith(&out, doc, figure.PNG))
		return out.Bytes()
	}
	require.True(t, bytes.Equal(write(), write()))
}

// A wrong question is refused with what would be right.
func TestCompareRefuses(t *testing.T) {
	s := source(t, few(t, 12, "STD", "S").Freeze())
	for want, change := range map[string]func(*reports.ComparisonSpec){
		"should be one of protocol, vehicle":        func(p *reports.ComparisonSpec) { p.By = "colour" },
		"should be named once":                      func(p *reports.ComparisonSpec) { p.Groups = []string{"STD", "STD"} },
		"none has an eye in this cohort":            func(p *reports.ComparisonSpec) { p.Groups = []string{"X", "Y"} },
		"should be one of the definitions":          func(p *reports.ComparisonSpec) { p.Window = "month-7" },
		"should be a year (2025), a quarter":        func(p *reports.ComparisonSpec) { p.By, p.Groups = "period", []string{"lately"} },
		"periods 2025 and 2025Q1: should not":       func(p *reports.ComparisonSpec) { p.By, p.Groups = "period", []string{"2025", "2025Q1"} },
		"margin -1: should be above 0, in the unit": func(p *reports.ComparisonSpec) { p.Margin = -1 },
	} {
		spec := reports.NewComparisonSpec(s.Outcomes.Definitions, "protocol", []string{"STD"})
		change(&spec)
		_, err := reports.NewComparison(s, spec)
		require.ErrorContains(t, err, want)
	}
}
