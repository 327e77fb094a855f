package selfcheck

import (
	"math"

	"keratally/stats"
)

// testCall holds what the calls of R's tests of location share.
type testCall struct {
	call  *Call
	alt   stats.Alternative
	level float64
	mu    float64
}

// readTestCall reads the direction, the level and the null value, from the
// arguments of the case or from the call.
func readTestCall(in *Input, function string) (testCall, error) {
	c, err := countCall(in, function)
	if err != nil {
		return testCall{}, err
	}
	t := testCall{call: c}
	if t.alt, err = callAlternative(in, c); err != nil {
		return testCall{}, err
	}
	if t.level, err = callConfidence(in, c); err != nil {
		return testCall{}, err
	}
	if in.Has("conf_level") { // said twice: in the call, and among the arguments
		if said, err := in.Number("conf_level"); err != nil || said != t.level {
			return testCall{}, NotCovered("the level is %g in the call and %g beside it", t.level, said)
		}
	}
	t.mu, err = caseOrCall(in, c, "mu", 0)
	return t, err
}

// caseOrCall returns a number among the arguments of the case, or else in the
// call, or else the default.
func caseOrCall(in *Input, c *Call, name string, fallback float64) (float64, error) {
	if in.Has(name) {
		c.Expression(name) // a variable: the argument of the case
		return in.Number(name)
	}
	return c.NumberOr(name, fallback)
}

// withoutOptions refuses a call that says more than its vectors.
func withoutOptions(in *Input, function string) error {
	c, err := countCall(in, function)
	if err != nil {
		return err
	}
	return c.Unread()
}

// twoVectors returns x and y of the case.
func twoVectors(in *Input) (x, y []float64, err error) {
	if x, err = in.Vector("x"); err != nil {
		return nil, nil, err
	}
	y, err = in.Vector("y")
	return x, y, err
}

// htest names a result as R's tests do.
func htest(r stats.Result) Results {
	out := Results{
		"statistic": r.Stat, "p_value": r.P, "estimate": r.Estimate, "stderr": r.SE,
		"alternative": countAlternative(r.Alt),
	}
	if r.HasInterval() {
		out["ci_low"], out["ci_high"], out["conf_level"] = r.Interval.Lower, r.Interval.Upper, r.Interval.Level
	}
	if !math.IsNaN(r.DF2) {
		out["df1"], out["df2"] = r.DF, r.DF2
	} else if !math.IsNaN(r.DF) {
		out["df"] = r.DF
	}
	return out
}

// htestMethod runs a test whose result is in the shape of R's.
func htestMethod(r stats.Result, err error) (Results, error) {
	if err != nil {
		return nil, err
	}
	return htest(r), nil
}
