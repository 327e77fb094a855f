package selfcheck

import "keratally/stats/design"

// equivalenceMethods are about two treatments being alike within margins.
var equivalenceMethods = map[string]Method{
	"tost_paired":  equivalence("tost_paired", design.EquivalencePaired),
	"tost_welch":   equivalence("tost_welch", design.EquivalenceWelch),
	"tost_student": equivalence("tost_student", design.EquivalenceStudent),
}

func equivalence(function string, test func(x, y []float64, low, high, alpha float64) (design.Equivalence, error)) Method {
	return func(in *Input) (Results, error) {
		c, err := countCall(in, function)
		if err != nil {
			return nil, err
		}
		alpha, err := caseOrCall(in, c, "alpha", 0.05)
		if err != nil {
			return nil, err
		}
		if err := c.Unread(); err != nil {
			return nil, err
		}
		low, err := in.Number("low")
		if err != nil {
			return nil, err
		}
		high, err := in.Number("high")
		if err != nil {
			return nil, err
		}
		x, y, err := twoVectors(in)
		if err != nil {
			return nil, err
		}
		e, err := test(x, y, low, high, alpha)
		if err != nil && e.N == 0 {
			return nil, err
		}
		return Results{
			"estimate": e.Estimate, "se": e.SE, "df": e.DF, "margin_low": e.Low, "margin_high": e.High,
			"t_lower": e.TLower, "p_lower": e.PLower, "t_upper": e.TUpper, "p_upper": e.PUpper, "p_tost": e.P,
			"ci_low": e.Interval.Lower, "ci_high": e.Interval.Upper, "conf_level": e.Interval.Level,
			"equivalent": e.Equivalent, "non_inferior_lower": e.NonInferiorLower,
		}, err
	}
}
