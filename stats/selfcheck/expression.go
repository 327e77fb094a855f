package selfcheck

import (
	"math"
	"strconv"
	"strings"
)

// Eval evaluates an arithmetic expression over the columns, row by row: column
// names (also as d$name or in backquotes), numbers, + − * / ^, parentheses, and
// log, log2, log10, exp, sqrt, abs and I. A missing value makes its row NaN.
func (f *Frame) Eval(expression string) ([]float64, error) {
	p := &expressionParser{frame: f, tokens: tokenize(expression), source: expression}
	value, err := p.sum()
	if err != nil {
		return nil, err
	}
	if p.at < len(p.tokens) {
		return nil, NotCovered("expression %q at %q", expression, p.tokens[p.at])
	}
	return value, nil
}

type expressionParser struct {
	frame  *Frame
	tokens []string
	at     int
	source string
}

// tokenize splits an R expression into names, numbers, quoted texts and signs.
func tokenize(source string) []string {
	var tokens []string
	isName := func(c byte) bool {
		return c == '_' || c == '.' || c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= 0x80
	}
	for i := 0; i < len(source); {
		c := source[i]
		start := i
		switch {
		case c == ' ' || c == '\t' || c == '\n':
			i++
			continue
		case c == '`' || c == '"' || c == '\'':
			for i++; i < len(source) && source[i] != c; i++ {
			}
			i = min(i+1, len(source))
		case c >= '0' && c <= '9' || c == '.' && i+1 < len(source) && source[i+1] >= '0' && source[i+1] <= '9':
			for i < len(source) && (isName(source[i]) || (source[i] == '-' || source[i] == '+') && (source[i-1] == 'e' || source[i-1] == 'E')) {
				i++
			}
		case isName(c):
			for i < len(source) && isName(source[i]) {
				i++
			}
		default:
			i++
			for _, pair := range [...]string{"<-", "<=", ">=", "==", "!=", "::", "&&", "||"} {
				if strings.HasPrefix(source[start:], pair) {
					i = start + 2
				}
			}
		}
		tokens = append(tokens, source[start:i])
	}
	return tokens
}

func (p *expressionParser) peek() string {
	if p.at < len(p.tokens) {
		return p.tokens[p.at]
	}
	return ""
}

func (p *expressionParser) sum() ([]float64, error) {
	left, err := p.product()
	for err == nil && (p.peek() == "+" || p.peek() == "-") {
		operator := p.peek()
		p.at++
		var right []float64
		if right, err = p.product(); err == nil {
			for i := range left {
				if operator == "+" {
					left[i] += right[i]
				} else {
					left[i] -= right[i]
				}
			}
		}
	}
	return left, err
}

func (p *expressionParser) product() ([]float64, error) {
	left, err := p.signed()
	for err == nil && (p.peek() == "*" || p.peek() == "/") {
		operator := p.peek()
		p.at++
		var right []float64
		if right, err = p.signed(); err == nil {
			for i := range left {
				if operator == "*" {
					left[i] *= right[i]
				} else {
					left[i] /= right[i]
				}
			}
		}
	}
	return left, err
}

func (p *expressionParser) signed() ([]float64, error) {
	if p.peek() == "-" {
		p.at++
		value, err := p.signed()
		for i := range value {
			value[i] = -value[i]
		}
		return value, err
	}
	return p.power()
}

func (p *expressionParser) power() ([]float64, error) {
	base, err := p.atom()
	if err != nil || p.peek() != "^" {
		return base, err
	}
	p.at++
	exponent, err := p.signed()
	if err != nil {
		return nil, err
	}
	for i := range base {
		base[i] = math.Pow(base[i], exponent[i])
	}
	return base, nil
}

var expressionFunctions = map[string]func(float64) float64{
	"log": math.Log, "log2": math.Log2, "log10": math.Log10, "exp": math.Exp,
	"sqrt": math.Sqrt, "abs": math.Abs, "I": func(x float64) float64 { return x },
}

func (p *expressionParser) atom() ([]float64, error) {
	token := p.peek()
	p.at++
	if token == "(" {
		value, err := p.sum()
		if err != nil {
			return nil, err
		}
		if p.peek() != ")" {
			return nil, NotCovered("expression %q: a bracket is not closed", p.source)
		}
		p.at++
		return value, nil
	}
	if function, ok := expressionFunctions[token]; ok && p.peek() == "(" {
		value, err := p.atom()
		for i := range value {
			value[i] = function(value[i])
		}
		return value, err
	}
	if number, err := strconv.ParseFloat(token, 64); err == nil && token[0] <= '9' {
		value := make([]float64, p.frame.rows)
		for i := range value {
			value[i] = number
		}
		return value, nil
	}
	if token == "d" && p.peek() == "$" && p.at+1 < len(p.tokens) {
		token = p.tokens[p.at+1]
		p.at += 2
	}
	name := strings.Trim(token, "`")
	if !p.frame.Has(name) {
		return nil, NotCovered("expression %q at %q", p.source, token)
	}
	return p.frame.Numbers(name)
}
