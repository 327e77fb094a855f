package regress

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Expr is a parsed expression: a number, a name, a quoted text, a call, or an
// operator with its operands. Its String is the canonical spelling, which is
// also the name of the variable that it makes in a model.
type Expr struct {
	kind exprKind
	text string // name, quoted text, function or operator
	num  float64
	args []*Expr
}

type exprKind int

const (
	numberExpr exprKind = iota + 1
	nameExpr
	textExpr
	callExpr
	unaryExpr
	binaryExpr
	parenExpr
)

// SyntaxError is a formula that cannot be read: the text, where, and what would do.
type SyntaxError struct {
	Text string
	At   int // byte offset
	Want string
}

// Error returns, for example, "formula "y ~ a +": at the end: expected a variable, a number or a parenthesis".
func (e *SyntaxError) Error() string {
	where := "at the end"
	if e.At < len(e.Text) {
		where = fmt.Sprintf("at %q", e.Text[e.At:])
	}
	return fmt.Sprintf("formula %q: %s: expected %s", e.Text, where, e.Want)
}

// Call returns the function name and arguments of an expression such as
// Surv(time, status); ok is false if the expression is not a call.
func (e *Expr) Call() (function string, args []*Expr, ok bool) {
	if e == nil || e.kind != callExpr {
		return "", nil, false
	}
	return e.text, e.args, true
}

// Names returns the column names that the expression reads, in order of appearance.
func (e *Expr) Names() []string {
	var names []string
	seen := map[string]bool{}
	e.walk(func(x *Expr) {
		if x.kind == nameExpr && !seen[x.text] && x.text != "TRUE" && x.text != "FALSE" {
			seen[x.text] = true
			names = append(names, x.text)
		}
	})
	return names
}

func (e *Expr) walk(visit func(*Expr)) {
	if e == nil {
		return
	}
	visit(e)
	for _, a := range e.args {
		a.walk(visit)
	}
}

// String returns the expression with canonical spacing: log(x + 1), I(x^2), I(n > 90).
func (e *Expr) String() string {
	switch e.kind {
	case numberExpr:
		return formatNumber(e.num)
	case nameExpr:
		if plainName(e.text) {
			return e.text
		}
		return "`" + e.text + "`"
	case textExpr:
		return strconv.Quote(e.text)
	case parenExpr:
		return "(" + e.args[0].String() + ")"
	case unaryExpr:
		return e.text + e.args[0].String()
	case callExpr:
		parts := make([]string, len(e.args))
		for i, a := range e.args {
			parts[i] = a.String()
		}
		return e.text + "(" + strings.Join(parts, ", ") + ")"
	default:
		switch e.text {
		case "^", "/", ":":
			return e.args[0].String() + e.text + e.args[1].String()
		}
		return e.args[0].String() + " " + e.text + " " + e.args[1].String()
	}
}

func plainName(s string) bool {
	for i, r := range s {
		if !(unicode.IsLetter(r) || r == '.' || (i > 0 && (unicode.IsDigit(r) || r == '_'))) {
			return false
		}
	}
	return s != ""
}

// formatNumber writes a number with up to 15 significant digits, in the
// shorter of the plain and the exponent form, as factor levels are named.
func formatNumber(v float64) string {
	sci := strconv.FormatFloat(v, 'e', 14, 64)
	mantissa, exponent, _ := strings.Cut(sci, "e")
	if strings.Contains(mantissa, ".") {
		mantissa = strings.TrimRight(strings.TrimRight(mantissa, "0"), ".")
	}
	sci = mantissa + "e" + exponent
	rounded, err := strconv.ParseFloat(sci, 64)
	if err != nil {
		return strconv.FormatFloat(v, 'g', 15, 64)
	}
	fixed := strconv.FormatFloat(rounded, 'f', -1, 64)
	if len(fixed) <= len(sci) {
		return fixed
	}
	return sci
}

// precedences of the binary operators, weakest first.
var precedence = map[string]int{
	"~": 1, "|": 2, "||": 2, "&": 3, "&&": 3,
	"<": 4, ">": 4, "<=": 4, ">=": 4, "==": 4, "!=": 4,
	"+": 5, "-": 5, "*": 6, "/": 6, "%in%": 7, ":": 8, "^": 10,
}

const unaryPrecedence = 9

type parser struct {
	text string
	pos  int
}

// parseExpr reads a whole text as one expression.
func parseExpr(text string) (*Expr, error) {
	p := &parser{text: text}
	e, err := p.expression(1)
	if err != nil {
		return nil, err
	}
	if p.skipSpace(); p.pos < len(p.text) {
		return nil, p.fail("an operator")
	}
	return e, nil
}

func (p *parser) fail(want string) error { return &SyntaxError{Text: p.text, At: p.pos, Want: want} }

func (p *parser) skipSpace() {
	for p.pos < len(p.text) && strings.ContainsRune(" \t\r\n", rune(p.text[p.pos])) {
		p.pos++
	}
}

func (p *parser) peekOperator() string {
	p.skipSpace()
	rest := p.text[p.pos:]
	for _, op := range []string{"%in%", "||", "&&", "<=", ">=", "==", "!="} {
		if strings.HasPrefix(rest, op) {
			return op
		}
	}
	if rest != "" {
		if _, ok := precedence[rest[:1]]; ok {
			return rest[:1]
		}
	}
	return ""
}

func (p *parser) expression(weakest int) (*Expr, error) {
	left, err := p.unary()
	if err != nil {
		return nil, err
	}
	for {
		op := p.peekOperator()
		level := precedence[op]
		if op == "" || level < weakest {
			return left, nil
		}
		p.pos += len(op)
		next := level + 1
		if op == "^" { // binds to the right
			next = level
		}
		right, err := p.expression(next)
		if err != nil {
			return nil, err
		}
		left = &Expr{kind: binaryExpr, text: op, args: []*Expr{left, right}}
	}
}

func (p *parser) unary() (*Expr, error) {
	p.skipSpace()
	if p.pos < len(p.text) {
		switch c := p.text[p.pos]; c {
		case '-', '+', '!', '~':
			p.pos++
			level := unaryPrecedence
			if c == '~' {
				level = 2
			}
			operand, err := p.expression(level)
			if err != nil {
				return nil, err
			}
			return &Expr{kind: unaryExpr, text: string(c), args: []*Expr{operand}}, nil
		}
	}
	return p.primary()
}

func (p *parser) primary() (*Expr, error) {
	p.skipSpace()
	if p.pos >= len(p.text) {
		return nil, p.fail("a variable, a number or a parenthesis")
	}
	switch c := p.text[p.pos]; {
	case c == '(':
		p.pos++
		inner, err := p.expression(1)
		if err != nil {
			return nil, err
		}
		if err := p.expect(')'); err != nil {
			return nil, err
		}
		return &Expr{kind: parenExpr, args: []*Expr{inner}}, nil
	case c == '"' || c == '\'' || c == '`':
		return p.quoted(c)
	case c >= '0' && c <= '9' || c == '.' && p.pos+1 < len(p.text) && p.text[p.pos+1] >= '0' && p.text[p.pos+1] <= '9':
		return p.number()
	}
	name := p.word()
	if name == "" {
		return nil, p.fail("a variable, a number or a parenthesis")
	}
	if p.skipSpace(); p.pos < len(p.text) && p.text[p.pos] == '(' {
		return p.call(name)
	}
	return &Expr{kind: nameExpr, text: name}, nil
}

func (p *parser) expect(c byte) error {
	if p.skipSpace(); p.pos >= len(p.text) || p.text[p.pos] != c {
		return p.fail(strconv.Quote(string(c)))
	}
	p.pos++
	return nil
}

func (p *parser) quoted(mark byte) (*Expr, error) {
	end := strings.IndexByte(p.text[p.pos+1:], mark)
	if end < 0 {
		return nil, p.fail("a closing " + string(mark))
	}
	text := p.text[p.pos+1 : p.pos+1+end]
	p.pos += end + 2
	if mark == '`' {
		return &Expr{kind: nameExpr, text: text}, nil
	}
	return &Expr{kind: textExpr, text: text}, nil
}

func (p *parser) number() (*Expr, error) {
	start := p.pos
	for p.pos < len(p.text) {
		c := p.text[p.pos]
		exponentSign := (c == '-' || c == '+') && p.pos > start && (p.text[p.pos-1] == 'e' || p.text[p.pos-1] == 'E')
		if !(c >= '0' && c <= '9' || c == '.' || c == 'e' || c == 'E' || exponentSign) {
			break
		}
		p.pos++
	}
	v, err := strconv.ParseFloat(p.text[start:p.pos], 64)
	if err != nil {
		p.pos = start
		return nil, p.fail("a number")
	}
	if p.pos < len(p.text) && p.text[p.pos] == 'L' { // an integer literal
		p.pos++
	}
	return &Expr{kind: numberExpr, num: v}, nil
}

func (p *parser) word() string {
	start := p.pos
	for p.pos < len(p.text) {
		r, size := utf8.DecodeRuneInString(p.text[p.pos:])
		if !(unicode.IsLetter(r) || r == '.' || (p.pos > start && (unicode.IsDigit(r) || r == '_'))) {
			break
		}
		p.pos += size
	}
	return p.text[start:p.pos]
}

func (p *parser) call(name string) (*Expr, error) {
	p.pos++ // the opening parenthesis
	e := &Expr{kind: callExpr, text: name}
	if p.skipSpace(); p.pos < len(p.text) && p.text[p.pos] == ')' {
		p.pos++
		return e, nil
	}
	for {
		arg, err := p.expression(1)
		if err != nil {
			return nil, err
		}
		e.args = append(e.args, arg)
		p.skipSpace()
		if p.pos < len(p.text) && p.text[p.pos] == ',' {
			p.pos++
			continue
		}
		return e, p.expect(')')
	}
}
