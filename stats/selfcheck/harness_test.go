package selfcheck

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	"keratally/stats"
)

// folder returns a folder of one case on a small data set with a missing value.
func folder(t *testing.T, method, input, results string) fstest.MapFS {
	t.Helper()
	text := fmt.Sprintf(`[{"case": "one", "dataset": "small.csv", "method": %q, "call": "by hand",
		"software": "hand", "input": %s, "results": %s, "tolerance": 1e-12}]`, method, input, results)
	require.True(t, json.Valid([]byte(text)))
	return fstest.MapFS{
		"datasets/small.csv": {Data: []byte("eye,group,x,y\nR,1,1,4\nL,1,2,\nR,2,3,6\nL,2,NA,8\n")},
		"expected/hand.json": {Data: []byte(text)},
	}
}

func checkOne(t *testing.T, method, input, results string) checked {
	t.Helper()
	root := folder(t, method, input, results)
	cases, err := readCases(root)
	require.NoError(t, err)
	require.Len(t, cases, 1)
	return check(newFrames(root), &cases[0])
}

// Expected medians and levels by hand: x is 1, 2, 3 without the missing value.
func TestOutcomes(t *testing.T) {
	const x = `{"x": {"column": "x"}}`
	for name, tt := range map[string]struct {
		method, input, results string
		want                   Outcome
	}{
		"agrees":               {"quantile", x, `{"type7": [1, 1.02, 1.1, 1.2, 1.5, 1.6666666666666667, 2, 2.333333333333333, 2.5, 2.8, 2.9, 2.98, 3]}`, Agrees},
		"differs":              {"describe", x, `{"n": 3, "mean": 2.0000001}`, Differs},
		"unknown method":       {"horoscope", x, `{"n": 3}`, Uncovered},
		"unknown argument":     {"describe", `{"x": {"column": "x"}, "trim": 0.1}`, `{"n": 3}`, Uncovered},
		"unknown result":       {"describe", x, `{"n": 3, "horoscope": 1}`, Uncovered},
		"unknown null result":  {"describe", x, `{"n": 3, "horoscope": null}`, Uncovered},
		"differs and unknown":  {"describe", x, `{"n": 4, "horoscope": 1}`, Differs},
		"unknown column":       {"describe", `{"x": {"column": "z"}}`, `{"n": 3}`, Uncovered},
		"text as number":       {"describe", `{"x": {"column": "eye"}}`, `{"n": 3}`, Uncovered},
		"no result":            {"describe", x, `{}`, Uncovered},
		"null agrees":          {"describe", `{"x": {"column": "x", "where": {"eye": "L"}}}`, `{"n": 1, "mean": 2, "sd": null, "ci_low": null}`, Agrees},
		"null differs":         {"describe", x, `{"n": 3, "sd": null}`, Differs},
		"NaN is not compared":  {"describe", x, `{"n": 3, "sd": "NaN"}`, Agrees},
		"error and no number":  {"shapiro_wilk", `{"x": {"column": "x", "where": {"group": 1}}}`, `{"statistic": null, "p_value": "NaN"}`, Agrees},
		"error and a number":   {"shapiro_wilk", `{"x": {"column": "x", "where": {"group": 1}}}`, `{"statistic": 0.9, "p_value": 0.5}`, Differs},
		"error on both sides":  {"shapiro_wilk", `{"x": {"column": "x", "where": {"group": 1}}}`, `{"error": "sample size must be between 3 and 5000"}`, Agrees},
		"error on theirs only": {"shapiro_wilk", x, `{"error": "sample size must be between 3 and 5000"}`, Differs},
		"wrong length":         {"quantile", x, `{"type7": [1, 2]}`, Differs},
	} {
		t.Run(name, func(t *testing.T) {
			done := checkOne(t, tt.method, tt.input, tt.results)
			require.Equal(t, tt.want, done.outcome, "%+v", done)
			if done.outcome == Uncovered {
				require.NotEmpty(t, done.why)
			}
		})
	}
}

func TestRunCountsAndEndsWithTheTotal(t *testing.T) {
	dir := t.TempDir()
	require.ErrorContains(t, func() error { _, err := Run(Options{Dir: dir}, &bytes.Buffer{}); return err }(), "expected/*.json")
	require.Error(t, func() error { _, err := Run(Options{Dir: dir + "/none"}, &bytes.Buffer{}); return err }())

	var out, report bytes.Buffer
	summary, err := Run(Options{Version: "v9", Date: "2026-01-02", Machine: "desk", Report: &report}, &out)
	require.NoError(t, err)
	require.Contains(t, report.String(), "program    v9\ndate       2026-01-02\nmachine    desk\n")
	for _, text := range []string{out.String(), report.String()} {
		require.True(t, bytes.HasSuffix([]byte(text), []byte("\n"+summary.String()+"\n")))
	}
	var again bytes.Buffer
	_, err = Run(Options{Version: "v9", Date: "2026-01-02", Machine: "desk", Report: &again}, &bytes.Buffer{})
	require.NoError(t, err)
	require.Equal(t, report.String(), again.String())
}

func TestComparisonRule(t *testing.T) {
	ordinary := &comparison{c: &Case{Tolerance: 1e-6}}
	relative := &comparison{c: &Case{Tolerance: 1e-6}, relative: true}
	absolute := &comparison{c: &Case{Tolerance: 1e-6, AbsTolerance: 0.5}}
	for _, tt := range []struct {
		k    *comparison
		key  string
		a, b float64
		want bool
	}{
		{ordinary, "mean", 1000, 1000.0009, true},
		{ordinary, "mean", 1000, 1000.01, false},
		{ordinary, "mean", 1e-12, 9e-10, true},
		{ordinary, "mean", 1e-12, 9e-8, false},
		{ordinary, "p_value", 1e-12, 9e-11, true},
		{ordinary, "p_value", 1e-12, 9e-10, false},
		{ordinary, "skewness_G1", 1e-12, 9e-8, true},
		{relative, "value", 1e-12, 2e-12, false},
		{absolute, "mean", 1, 1.4, true},
		{ordinary, "mean", math.Inf(1), math.Inf(1), true},
		{ordinary, "mean", 1e300, math.Inf(1), false},
		{ordinary, "mean", math.NaN(), 1, false},
	} {
		require.Equal(t, tt.want, tt.k.close(tt.a, tt.b) || tt.k.near(tt.key, tt.a, tt.b), "%+v", tt)
	}
	require.InDelta(t, 3, digits(1000, 1001), 0.01)
	require.Equal(t, 16.0, digits(5, 5))
}

func TestVectors(t *testing.T) {
	root := folder(t, "m", `{"x": {"column": "x"}, "y": {"column": "y"}, "drop_missing": "row-wise"}`, `{"n": 2}`)
	cases, err := readCases(root)
	require.NoError(t, err)
	frame, err := newFrames(root).get("small.csv")
	require.NoError(t, err)
	in := newInput(&cases[0], frame)
	x, err := in.Vector("x")
	require.NoError(t, err)
	require.Equal(t, []float64{1, 3}, x) // the rows in which neither is missing
	require.Equal(t, []string{"y"}, in.unread())

	codes, levels, err := frame.Factor("eye")
	require.NoError(t, err)
	require.Equal(t, []string{"L", "R"}, levels)
	require.Equal(t, []int{1, 0, 1, 0}, codes)
	codes, levels, err = frame.Factor("x")
	require.NoError(t, err)
	require.Equal(t, []string{"1", "2", "3"}, levels)
	require.Equal(t, -1, codes[3])
	left, err := frame.Where(map[string]any{"eye": "L", "group": json.Number("2")})
	require.NoError(t, err)
	require.Equal(t, 1, left.Rows())
	whole, err := frame.Complete("x", "y")
	require.NoError(t, err)
	require.Equal(t, 2, whole.Rows())
}

func TestEval(t *testing.T) {
	frame, err := NewFrame([]string{"A", "b.2"}, map[string][]string{"A": {"1", "2"}, "b.2": {"4", ""}})
	require.NoError(t, err)
	for expression, want := range map[string]float64{
		"A - b.2": -3, "d$A*2+1e1": 12, "-A^2": -1, "(A+b.2)/2": 2.5, "log(exp(A))": 1, "2^3^1": 8, "I(sqrt(b.2))": 2, "`A`": 1,
	} {
		got, err := frame.Eval(expression)
		require.NoError(t, err, expression)
		require.InDelta(t, want, got[0], 1e-15, expression)
	}
	missing, err := frame.Eval("A - b.2")
	require.NoError(t, err)
	require.True(t, math.IsNaN(missing[1]))
	for _, bad := range []string{"A -", "C", "A B", "(A", "frob(A)", ""} {
		_, err := frame.Eval(bad)
		require.ErrorIs(t, err, ErrNotCovered, bad)
	}
}

func TestCall(t *testing.T) {
	call, ok := findCall(`{ e <- pkg::f(g(1, b = 2), d$x - d$y, conf.level = 0.9, how = "a, b", paired = TRUE) }`, "f")
	require.True(t, ok)
	require.Equal(t, []string{"g(1,b=2)", "d$x-d$y"}, call.Positional())
	level, err := call.NumberOr("conf.level", 0.95)
	require.NoError(t, err)
	require.Equal(t, 0.9, level)
	how, err := call.TextOr("how", "")
	require.NoError(t, err)
	require.Equal(t, "a, b", how)
	require.ErrorIs(t, call.Unread(), ErrNotCovered)
	paired, err := call.BoolOr("paired", false)
	require.NoError(t, err)
	require.True(t, paired)
	require.NoError(t, call.Unread())
	_, ok = findCall("t.test(x)", "test")
	require.False(t, ok)
}

// A method that fails outright is a difference, not the end of the run.
func TestFaultIsContained(t *testing.T) {
	_, err := call(func(*Input) (Results, error) { panic("no such eye") }, nil)
	require.ErrorContains(t, err, "no such eye")
	require.NotErrorIs(t, err, ErrNotCovered)
	require.False(t, isReason(err))
	require.True(t, isReason(fmt.Errorf("t test: %w", &stats.TooFewError{Method: "t test", Got: 1, Need: 2})))
	require.False(t, isReason(nil))
}
