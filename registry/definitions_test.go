package registry_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/measure"
)

// The days are those of the table of follow-up windows in use (common
// practice); month 48 and 60 follow from midpoints between 1096, 1461, 1826 and
// 2191: 1278.5, 1643.5, 2008.5.
func TestDefaultWindows(t *testing.T) {
	s := registry.DefaultWindows()
	require.NoError(t, s.Check())
	for _, w := range []registry.Window{
		{Key: "day-1", Label: "day 1", Target: 1, From: 1, To: 3},
		{Key: "week-1", Label: "week 1", Target: 7, From: 4, To: 18},
		{Key: "month-1", Label: "month 1", Target: 30, From: 19, To: 60},
		{Key: "month-3", Label: "month 3", Target: 91, From: 61, To: 136},
		{Key: "month-6", Label: "month 6", Target: 183, From: 137, To: 273},
		{Key: "month-12", Label: "month 12", Target: 365, From: 274, To: 547},
		{Key: "month-24", Label: "month 24", Target: 730, From: 548, To: 912},
		{Key: "month-36", Label: "month 36", Target: 1096, From: 913, To: 1278},
		{Key: "month-48", Label: "month 48", Target: 1461, From: 1279, To: 1643},
		{Key: "month-60", Label: "month 60", Target: 1826, From: 1644, To: 2008},
	} {
		i, ok := s.Find(w.Key)
		require.True(t, ok, w.Key)
		assert.Equal(t, w, s.Windows[i])
		assert.Equal(t, i, s.Of(w.From))
		assert.Equal(t, i, s.Of(w.To))
	}
	for i := 1; i < len(s.Windows); i++ {
		assert.Equal(t, s.Windows[i-1].To+1, s.Windows[i].From, "contiguous at %s", s.Windows[i].Key)
	}
	assert.Equal(t, -1, s.Of(0))
}

// ± 14 days at month 1, ± 21 at 3, ± 30 at 6, ± 60 at 12 and 24 (common practice).
func TestStrictWindows(t *testing.T) {
	s := registry.StrictWindows()
	require.NoError(t, s.Check())
	var days [][3]int
	for _, w := range s.Windows {
		days = append(days, [3]int{w.Target, w.From, w.To})
	}
	assert.Equal(t, [][3]int{{30, 16, 44}, {91, 70, 112}, {183, 153, 213}, {365, 305, 425}, {730, 670, 790}}, days)
	assert.Equal(t, -1, s.Of(50), "a gap")
}

func TestDefinitionsRoundTrip(t *testing.T) {
	for _, d := range registry.BuiltInDefinitions() {
		stored, err := registry.EncodeDefinition(d)
		require.NoError(t, err, d.DefinitionStamp().String())
		var got registry.Definition
		switch d.(type) {
		case registry.WindowSet:
			got, err = registry.DecodeDefinition[registry.WindowSet](stored)
		case registry.ProgressionRule:
			got, err = registry.DecodeDefinition[registry.ProgressionRule](stored)
		case registry.OffChartTable:
			got, err = registry.DecodeDefinition[registry.OffChartTable](stored)
		case registry.ComplicationKinds:
			got, err = registry.DecodeDefinition[registry.ComplicationKinds](stored)
		case registry.AnalysisSettings:
			got, err = registry.DecodeDefinition[registry.AnalysisSettings](stored)
		default:
			t.Fatalf("%T", d)
		}
		require.NoError(t, err)
		assert.Equal(t, d, got)
	}
	require.NoError(t, registry.DefaultDefinitions().Check())

	stored, err := registry.EncodeDefinition(registry.DefaultWindows())
	require.NoError(t, err)
	_, err = registry.DecodeDefinition[registry.OffChartTable](stored)
	require.ErrorContains(t, err, "definition of windows default, version 1")
	stored.Body = []byte(`{"title":"x","windows":[],"colour":1}`)
	_, err = registry.DecodeDefinition[registry.WindowSet](stored)
	require.ErrorContains(t, err, "colour")
}

func TestDefinitionsRefuse(t *testing.T) {
	windows := func(change func(s *registry.WindowSet)) registry.Definition {
		s := registry.DefaultWindows()
		change(&s)
		return s
	}
	rule := func(c registry.Condition) registry.Definition {
		r := registry.DefaultProgression()
		r.Condition = c
		return r
	}
	term := func(change func(t *registry.Term)) registry.Definition {
		one := registry.Term{Quantity: "kmax", Direction: registry.Rises, By: 1}
		change(&one)
		return rule(registry.Condition{Term: &one})
	}
	settings := func(change func(a *registry.AnalysisSettings)) registry.Definition {
		a := registry.DefaultAnalysis()
		change(&a)
		return a
	}
	ok := registry.Condition{Term: &registry.Term{Quantity: "kmax", Direction: registry.Rises, By: 1}}
	for want, d := range map[string]registry.Definition{
		"should begin after day 3":      windows(func(s *registry.WindowSet) { s.Windows[1].From = 3 }),
		"should lie between":            windows(func(s *registry.WindowSet) { s.Windows[1].Target = 60 }),
		"a key of its own":              windows(func(s *registry.WindowSet) { s.Windows[1].Key = "day-1" }),
		"at least one":                  windows(func(s *registry.WindowSet) { s.Windows = nil }),
		"a name, a version":             windows(func(s *registry.WindowSet) { s.Version = 0 }),
		"one of term, all, any":         rule(registry.Condition{}),
		"a condition should be one":     rule(registry.Condition{Term: ok.Term, Any: []registry.Condition{ok}}),
		"at_least should be":            rule(registry.Condition{AtLeast: 3, Of: []registry.Condition{ok, ok}}),
		"key of a measure, such":        term(func(t *registry.Term) { t.Quantity = "kmx" }),
		"rises, falls or changes":       term(func(t *registry.Term) { t.Direction = "up" }),
		"should be above 0":             term(func(t *registry.Term) { t.By = 0 }),
		"a tolerance below it":          term(func(t *registry.Term) { t.Within = 1 }),
		"line_tolerance_e3 50":          settings(func(a *registry.AnalysisSettings) { a.LineToleranceE3 = 50 }),
		"confidence_level 95":           settings(func(a *registry.AnalysisSettings) { a.ConfidenceLevel = 95 }),
		"baseline_max_age_days 0":       settings(func(a *registry.AnalysisSettings) { a.BaselineMaxAge = 0 }),
		"should name its source":        registry.OffChartTable{Stamp: registry.DefaultOffChart().Stamp},
		"worse than the finding before": registry.OffChartTable{Stamp: registry.DefaultOffChart().Stamp, Citation: "x", LogMAR: map[string]int32{"CF": 2000, "HM": 1900}},
		"should be for CF, HM, LP":      registry.OffChartTable{Stamp: registry.DefaultOffChart().Stamp, Citation: "x", LogMAR: map[string]int32{"20/40": 300}},
		"key of its own and a label":    registry.ComplicationKinds{Stamp: registry.DefaultComplications().Stamp, Kinds: []registry.ComplicationKind{{Key: "a"}}},
	} {
		_, err := registry.EncodeDefinition(d)
		require.ErrorContains(t, err, want)
	}
}

// The stand-ins are those printed by the papers: Lange 2009, CF 1.98, HM 2.28;
// Schulze-Bonsel 2006, decimal 0.014 and 0.005, −log10 of which is 1.854 and
// 2.301, given there as 1.85 and 2.30.
func TestStandIns(t *testing.T) {
	lange := registry.DefaultOffChart()
	assert.EqualValues(t, 1980, lange.StandIn(measure.CountingFingers))
	assert.EqualValues(t, 2280, lange.StandIn(measure.HandMovements))
	assert.Equal(t, measure.None, lange.StandIn(measure.LightPerception))
	assert.Equal(t, measure.None, lange.StandIn(0))
	older := registry.BuiltInOffChart()[1]
	assert.EqualValues(t, 1850, older.StandIn(measure.CountingFingers))
	assert.EqualValues(t, 2300, older.StandIn(measure.HandMovements))
}

// A line is 0.1 logMAR within 0.005: 0.195 better is two, 0.194 is one.
func TestLinesGained(t *testing.T) {
	a := registry.DefaultAnalysis()
	for change, want := range map[measure.Steps]int{-204: 2, -195: 2, -194: 1, -94: 0, -95: 1, 0: 0, 94: 0, 95: -1, 200: -2, 301: -3} {
		assert.Equal(t, want, a.LinesGained(change), "%d thousandths", change)
	}
}

func TestRuleWords(t *testing.T) {
	assert.Equal(t, "Kmax rises by at least 1 D from baseline, on day 137 or later, confirmed at the next visit", registry.DefaultProgression().String())
	assert.Equal(t, "at least 2 of: Kmax rises by at least 1 D; posterior Kmax rises by at least 0.3 D; thinnest point falls by at least 5 % from baseline, on day 137 or later, confirmed at the next visit",
		registry.BuiltInProgression()[5].String())
}

func TestQuantities(t *testing.T) {
	seen := map[string]bool{}
	for q := range registry.Quantity(registry.NumQuantities) {
		key := q.Info().Key
		assert.NotEmpty(t, key)
		assert.False(t, seen[key], key)
		seen[key] = true
		got, ok := registry.ParseQuantity(key)
		assert.True(t, ok)
		assert.Equal(t, q, got)
	}
	_, ok := registry.ParseQuantity("nothing")
	assert.False(t, ok)
}
