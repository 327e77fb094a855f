package selfcheck

import (
	"strconv"
	"strings"

	"keratally/stats"
)

// rCall is the call of one R function: its arguments by name, and how many
// were given by position.
type rCall struct {
	function   string
	named      map[string]string
	positional []string
}

// parseCall finds the call of the function in the text of a reference's call,
// whatever wraps it.
func parseCall(text, function string) (rCall, error) {
	start := strings.Index(text, function+"(")
	if start < 0 {
		return rCall{}, NotCovered("the call %q has no %s", text, function)
	}
	c := rCall{function: function, named: map[string]string{}}
	depth, quoted, from := 0, false, start+len(function)+1
	take := func(argument string) {
		argument = strings.TrimSpace(argument)
		name, value, found := strings.Cut(argument, "=")
		switch name = strings.TrimSpace(name); {
		case argument == "":
		case found && strings.Trim(name, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._") == "":
			c.named[name] = strings.TrimSpace(value)
		default:
			c.positional = append(c.positional, argument)
		}
	}
	for i := from; i < len(text); i++ {
		switch ch := text[i]; {
		case ch == '"':
			quoted = !quoted
		case quoted:
		case ch == '(' || ch == '[':
			depth++
		case ch == ',' && depth == 0:
			take(text[from:i])
			from = i + 1
		case (ch == ')' || ch == ']') && depth > 0:
			depth--
		case ch == ')':
			take(text[from:i])
			return c, nil
		}
	}
	return rCall{}, NotCovered("the call %q does not end", text)
}

// onlyUses refuses a call with a named argument other than these.
func (c rCall) onlyUses(names ...string) error {
	known := map[string]bool{}
	for _, n := range names {
		known[n] = true
	}
	for n := range c.named {
		if !known[n] {
			return NotCovered("%s has the argument %s", c.function, n)
		}
	}
	return nil
}

// flag returns a TRUE or FALSE argument.
func (c rCall) flag(name string, fallback bool) (bool, error) {
	switch v := c.named[name]; v {
	case "":
		return fallback, nil
	case "TRUE", "T":
		return true, nil
	case "FALSE", "F":
		return false, nil
	default:
		return false, NotCovered("%s has %s = %s", c.function, name, v)
	}
}

// confidence returns the level in the case's arguments, 0.95 without one.
func confidence(in *Input) (float64, error) {
	for _, name := range []string{"conf", "conf_level", "conf.level", "level"} {
		if in.Has(name) {
			return in.Number(name)
		}
	}
	return 0.95, nil
}

// callConfidence returns the level in the case's arguments or in its call.
func callConfidence(in *Input, c rCall) (float64, error) {
	if v, err := strconv.ParseFloat(c.named["conf.level"], 64); err == nil {
		return v, nil
	}
	return confidence(in)
}

// callAlternative returns the direction in the case's arguments or in its call.
func callAlternative(in *Input, c rCall) (stats.Alternative, error) {
	text := strings.Trim(c.named["alternative"], `"'`)
	if in.Has("alternative") {
		var err error
		if text, err = in.Text("alternative"); err != nil {
			return 0, err
		}
	}
	switch text {
	case "", "two.sided", "two-sided":
		return stats.TwoSided, nil
	case "less":
		return stats.Less, nil
	case "greater":
		return stats.Greater, nil
	}
	return 0, NotCovered("the alternative is %q", text)
}

// rAlternative names a direction as R does.
func rAlternative(a stats.Alternative) string {
	if a == stats.TwoSided {
		return "two.sided"
	}
	return a.String()
}
