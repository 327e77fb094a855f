package selfcheck

import (
	"math"
	"strconv"
	"strings"
)

// Call gives the arguments of one function call inside the call text of a
// case, such as the conf.level of t.test(x, y, conf.level = 0.9). Like Input it
// remembers what was read.
type Call struct {
	function string
	named    map[string]string
	position []string
	read     map[string]bool
}

// Call finds the first call of the function in the case's call text. The name
// is matched whole, with or without its package before it.
func (in *Input) Call(function string) (*Call, error) {
	call, ok := findCall(in.c.Call, function)
	if !ok {
		return nil, NotCovered("the call %q has no %s(…)", in.c.Call, function)
	}
	return call, nil
}

func findCall(text, function string) (*Call, bool) {
	tokens := tokenize(text)
	for i := 0; i+1 < len(tokens); i++ {
		if tokens[i] != function || tokens[i+1] != "(" {
			continue
		}
		call := &Call{function: function, named: map[string]string{}, read: map[string]bool{}}
		depth := 0
		var argument []string
		for _, token := range tokens[i+2:] {
			switch {
			case depth == 0 && (token == "," || token == ")"):
				call.add(argument)
				argument = nil
				if token == ")" {
					return call, true
				}
				continue
			case token == "(" || token == "[" || token == "{":
				depth++
			case token == ")" || token == "]" || token == "}":
				depth--
			}
			argument = append(argument, token)
		}
		return nil, false
	}
	return nil, false
}

func (c *Call) add(argument []string) {
	switch {
	case len(argument) == 0:
	case len(argument) > 2 && argument[1] == "=":
		c.named[strings.Trim(argument[0], "`\"'")] = joinTokens(argument[2:])
	default:
		c.position = append(c.position, joinTokens(argument))
	}
}

// joinTokens writes an expression with the spaces that R's own listing has
// around binary signs left out, so that equal expressions are equal texts.
func joinTokens(tokens []string) string { return strings.Join(tokens, "") }

// Positional returns the unnamed arguments, as written without blanks.
func (c *Call) Positional() []string { return c.position }

// Has reports whether the call names the argument.
func (c *Call) Has(name string) bool {
	_, ok := c.named[name]
	return ok
}

// Expression returns a named argument as written without blanks, or "".
func (c *Call) Expression(name string) string {
	c.read[name] = true
	return c.named[name]
}

// TextOr returns a named argument that is a quoted text, or the default.
func (c *Call) TextOr(name, fallback string) (string, error) {
	value, ok := c.named[name]
	c.read[name] = true
	if !ok {
		return fallback, nil
	}
	if len(value) < 2 || value[0] != '"' && value[0] != '\'' {
		return "", NotCovered("%s = %s in the call is not a text", name, value)
	}
	return value[1 : len(value)-1], nil
}

// NumberOr returns a named argument that is a number, or the default.
func (c *Call) NumberOr(name string, fallback float64) (float64, error) {
	value, ok := c.named[name]
	c.read[name] = true
	if !ok {
		return fallback, nil
	}
	return parseRNumber(name, value)
}

// BoolOr returns a named argument TRUE or FALSE, or the default.
func (c *Call) BoolOr(name string, fallback bool) (bool, error) {
	value, ok := c.named[name]
	c.read[name] = true
	switch {
	case !ok:
		return fallback, nil
	case value == "TRUE" || value == "T" || value == "True":
		return true, nil
	case value == "FALSE" || value == "F" || value == "False":
		return false, nil
	}
	return false, NotCovered("%s = %s in the call is not TRUE or FALSE", name, value)
}

// Allow marks named arguments as read without looking at them, for those that
// cannot change the result (convergence settings, data = d).
func (c *Call) Allow(names ...string) {
	for _, name := range names {
		c.read[name] = true
	}
}

// Unread returns an error that wraps ErrNotCovered when a named argument of
// the call was not read, or nil.
func (c *Call) Unread() error {
	for name := range c.named {
		if !c.read[name] {
			return NotCovered("%s(…, %s = %s) is not known", c.function, name, c.named[name])
		}
	}
	return nil
}

func parseRNumber(name, value string) (float64, error) {
	switch value {
	case "Inf":
		return math.Inf(1), nil
	case "-Inf":
		return math.Inf(-1), nil
	}
	if number, err := strconv.ParseFloat(strings.TrimSuffix(value, "L"), 64); err == nil {
		return number, nil
	}
	if top, bottom, ok := strings.Cut(value, "/"); ok {
		a, errA := strconv.ParseFloat(top, 64)
		b, errB := strconv.ParseFloat(bottom, 64)
		if errA == nil && errB == nil {
			return a / b, nil
		}
	}
	return 0, NotCovered("%s = %s in the call is not a number", name, value)
}
