package selfcheck

import (
	"keratally/stats/power"
)

var powerMethods = map[string]Method{
	"power_t_test":          tTestPower,
	"power_t_test_strict":   tTestPower,
	"sample_size_t_test":    tTestSize,
	"power_prop_test":       proportionPower,
	"sample_size_prop_test": proportionSize,
	"power_anova":           anovaPower,
}

// question is the arguments of a power calculation: those of the case, or
// numbers written only in its call.
type question struct {
	in   *Input
	call *Call
	err  error
}

func ask(in *Input, function string) (*question, error) {
	call, err := in.Call(function)
	if err != nil {
		return nil, err
	}
	call.Allow("tol", "n", "delta", "power", "p1", "p2", "groups")
	return &question{in: in, call: call}, nil
}

// number returns the argument under its name in the case, or in the call.
func (q *question) number(inCase, inCall string, fallback float64) float64 {
	var value float64
	var err error
	if q.in.Has(inCase) {
		value, err = q.in.Number(inCase)
		q.call.Allow(inCall)
	} else {
		value, err = q.call.NumberOr(inCall, fallback)
	}
	q.keep(err)
	return value
}

func (q *question) text(name, fallback string) string {
	var value string
	var err error
	if q.in.Has(name) {
		value, err = q.in.Text(name)
		q.call.Allow(name)
	} else {
		value, err = q.call.TextOr(name, fallback)
	}
	q.keep(err)
	return value
}

func (q *question) keep(err error) {
	if q.err == nil {
		q.err = err
	}
}

// done returns the first error, an argument of the call that was not read
// among them.
func (q *question) done() error {
	q.keep(q.call.Unread())
	return q.err
}

// oneSided reads the alternative and whether both tails count.
func (q *question) sides() (oneSided, bothTails bool) {
	switch alternative := q.text("alternative", "two.sided"); alternative {
	case "two.sided", "two-sided":
	case "one.sided", "one-sided":
		oneSided = true
	default:
		q.keep(NotCovered("alternative %q", alternative))
	}
	bothTails, err := q.call.BoolOr("strict", false)
	q.keep(err)
	return oneSided, bothTails
}

func (q *question) tTest() power.TTest {
	t := power.TTest{SD: q.number("sd", "sd", 1), Alpha: q.number("sig_level", "sig.level", 0.05)}
	t.OneSided, t.BothTails = q.sides()
	switch kind := q.text("type", "two.sample"); kind {
	case "two.sample":
		t.Design = power.TwoSample
	case "one.sample":
		t.Design = power.OneSample
	case "paired":
		t.Design = power.Paired
	default:
		q.keep(NotCovered("type %q", kind))
	}
	return t
}

func tTestPower(in *Input) (Results, error) {
	q, err := ask(in, "power.t.test")
	if err != nil {
		return nil, err
	}
	t := q.tTest()
	n, delta := q.number("n", "n", 0), q.number("delta", "delta", 0)
	if err := q.done(); err != nil {
		return nil, err
	}
	value, err := t.Power(n, delta)
	if err != nil {
		return nil, err
	}
	return Results{"n": n, "delta": delta, "sd": t.SD, "sig_level": t.Alpha, "power": value}, nil
}

func tTestSize(in *Input) (Results, error) {
	q, err := ask(in, "power.t.test")
	if err != nil {
		return nil, err
	}
	t := q.tTest()
	wanted, delta := q.number("power", "power", 0), q.number("delta", "delta", 0)
	if err := q.done(); err != nil {
		return nil, err
	}
	n, err := t.SampleSize(wanted, delta)
	if err != nil {
		return nil, err
	}
	return Results{"n": n, "delta": delta, "sd": t.SD, "sig_level": t.Alpha, "power": wanted}, nil
}

func (q *question) proportions() (t power.Proportions, p1, p2 float64) {
	t.Alpha = q.number("sig_level", "sig.level", 0.05)
	t.OneSided, t.BothTails = q.sides()
	return t, q.number("p1", "p1", 0), q.number("p2", "p2", 0)
}

func proportionPower(in *Input) (Results, error) {
	q, err := ask(in, "power.prop.test")
	if err != nil {
		return nil, err
	}
	t, p1, p2 := q.proportions()
	n := q.number("n", "n", 0)
	if err := q.done(); err != nil {
		return nil, err
	}
	value, err := t.Power(n, p1, p2)
	if err != nil {
		return nil, err
	}
	return Results{"n": n, "p1": p1, "p2": p2, "sig_level": t.Alpha, "power": value}, nil
}

func proportionSize(in *Input) (Results, error) {
	q, err := ask(in, "power.prop.test")
	if err != nil {
		return nil, err
	}
	t, p1, p2 := q.proportions()
	wanted := q.number("power", "power", 0)
	if err := q.done(); err != nil {
		return nil, err
	}
	n, err := t.SampleSize(wanted, p1, p2)
	if err != nil {
		return nil, err
	}
	return Results{"n": n, "p1": p1, "p2": p2, "sig_level": t.Alpha, "power": wanted}, nil
}

func anovaPower(in *Input) (Results, error) {
	q, err := ask(in, "power.anova.test")
	if err != nil {
		return nil, err
	}
	a := power.ANOVA{
		Between: q.number("between_var", "between.var", 0), Within: q.number("within_var", "within.var", 0),
		Alpha: q.number("sig_level", "sig.level", 0.05), Groups: int(q.number("groups", "groups", 0)),
	}
	n := q.number("n", "n", 0)
	if err := q.done(); err != nil {
		return nil, err
	}
	value, err := a.Power(n)
	if err != nil {
		return nil, err
	}
	return Results{"power": value, "n": n, "groups": a.Groups, "sig_level": a.Alpha}, nil
}
