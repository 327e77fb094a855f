package selfcheck

import (
	"strconv"

	"keratally/stats"
)

// countCall returns the call of a function whose arguments are given by name
// or as variables; a number written into the call by position cannot be told
// apart from another.
func countCall(in *Input, function string) (*Call, error) {
	c, err := in.Call(function)
	if err != nil {
		return nil, err
	}
	for _, p := range c.Positional() {
		if _, err := strconv.ParseFloat(p, 64); err == nil {
			return nil, NotCovered("the call %q has %s by position", in.CallText(), p)
		}
	}
	return c, nil
}

// pythonCall returns the call of a Python function, with or without its package
// before it.
func pythonCall(in *Input, pack, function string) (*Call, error) {
	if c, err := in.Call(pack + function); err == nil {
		return c, nil
	}
	return in.Call(function)
}

// confidence returns the level among the case's arguments or in its call of
// the function, 0.95 without one, and refuses a call that says more.
func confidence(in *Input, function string) (float64, error) {
	c, err := countCall(in, function)
	if err != nil {
		return 0, err
	}
	level, err := callConfidence(in, c)
	if err != nil {
		return 0, err
	}
	return level, c.Unread()
}

func callConfidence(in *Input, c *Call) (float64, error) {
	for _, name := range []string{"conf", "conf_level", "conf.level"} {
		if c.Has(name) {
			if level, err := c.NumberOr(name, 0); err == nil {
				return level, nil
			} // otherwise it names an argument of the case
		}
	}
	for _, name := range []string{"conf", "conf_level", "conf.level"} {
		if in.Has(name) {
			return in.Number(name)
		}
	}
	return 0.95, nil
}

// callAlternative returns the direction among the case's arguments or in its
// call.
func callAlternative(in *Input, c *Call) (stats.Alternative, error) {
	text, err := c.TextOr("alternative", "two.sided")
	if in.Has("alternative") {
		text, err = in.Text("alternative")
	}
	if err != nil {
		return 0, err
	}
	switch text {
	case "two.sided", "two-sided":
		return stats.TwoSided, nil
	case "less":
		return stats.Less, nil
	case "greater":
		return stats.Greater, nil
	}
	return 0, NotCovered("the alternative is %q", text)
}

// countAlternative names a direction as R does.
func countAlternative(a stats.Alternative) string {
	if a == stats.TwoSided {
		return "two.sided"
	}
	return a.String()
}
