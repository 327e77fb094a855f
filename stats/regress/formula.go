package regress

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"keratally/stats"
)

// Formula is a parsed model formula. The zero Formula is not usable; make one
// with ParseFormula.
type Formula struct {
	// Response is the left-hand side, nil where there is none.
	Response *Expr
	// Intercept says whether the model has a constant.
	Intercept bool
	// Offsets are the arguments of offset( ) terms: added with coefficient 1.
	Offsets []*Expr
	// Random are the terms with a bar, such as (1 | patient).
	Random []RandomTerm

	variables []*Expr // distinct variables of the fixed terms, in order of appearance
	terms     []term  // fixed terms without the constant, by degree and then appearance
}

// RandomTerm is one random-effects term (Inner | Group): the columns of Inner
// have random coefficients that vary over the levels of Group, correlated
// among themselves. (x || g) becomes two uncorrelated terms, and (1 | a/b) the
// two terms (1 | a) and (1 | a:b).
type RandomTerm struct {
	Inner *Formula
	Group string // spelling of the grouping: "patient" or "eye:patient"
	by    []*Expr
}

// term is a set of variables by index, ascending; a main effect has one.
type term []int

// ParseFormula reads a formula such as "y ~ a * b + log(x)". The error is a
// *SyntaxError where the text cannot be read, and a *stats.ArgumentError where it can
// but means nothing here (a dot, a bar without parentheses).
func ParseFormula(text string) (*Formula, error) {
	e, err := parseExpr(text)
	if err != nil {
		return nil, err
	}
	f := &Formula{Intercept: true}
	right := e
	switch {
	case e.kind == binaryExpr && e.text == "~":
		f.Response, right = e.args[0], e.args[1]
	case e.kind == unaryExpr && e.text == "~":
		right = e.args[0]
	default:
		return nil, &SyntaxError{Text: text, At: len(text), Want: "a ~ between the response and the terms"}
	}
	if err := f.build(right); err != nil {
		return nil, fmt.Errorf("formula %q: %w", text, err)
	}
	return f, nil
}

// build expands the right-hand side into terms.
func (f *Formula) build(right *Expr) error {
	set, err := f.expand(right)
	if err != nil {
		return err
	}
	f.Intercept = !set.noIntercept
	for _, t := range set.terms {
		if len(t) > 0 {
			f.terms = append(f.terms, t)
		}
	}
	sort.SliceStable(f.terms, func(i, j int) bool { return len(f.terms[i]) < len(f.terms[j]) })
	return nil
}

// termSet is an ordered set of terms; noIntercept records a 0 or −1.
type termSet struct {
	terms       []term
	noIntercept bool
}

func (s *termSet) add(t term) {
	for _, have := range s.terms {
		if slices.Equal(have, t) {
			return
		}
	}
	s.terms = append(s.terms, t)
}

func (s *termSet) remove(t term) {
	s.terms = slices.DeleteFunc(s.terms, func(have term) bool { return slices.Equal(have, t) })
}

func union(a, b term) term {
	u := append(slices.Clone(a), b...)
	slices.Sort(u)
	return slices.Compact(u)
}

// crossed returns the terms a:b for every pair, in R's order (a outermost).
func crossed(a, b termSet) termSet {
	var s termSet
	for _, x := range a.terms {
		for _, y := range b.terms {
			s.add(union(x, y))
		}
	}
	return s
}

func (f *Formula) expand(e *Expr) (termSet, error) {
	switch e.kind {
	case numberExpr:
		switch e.num {
		case 1:
			return termSet{terms: []term{{}}}, nil
		case 0:
			return termSet{noIntercept: true}, nil
		}
		return termSet{}, &stats.ArgumentError{Name: "term", Got: e.num, Want: "a variable, or 0 or 1 for the constant"}
	case parenExpr:
		if bar := e.args[0]; bar.kind == binaryExpr && (bar.text == "|" || bar.text == "||") {
			return termSet{}, f.addRandom(bar)
		}
		return f.expand(e.args[0])
	case callExpr:
		if e.text == "offset" && len(e.args) == 1 {
			f.Offsets = append(f.Offsets, e.args[0])
			return termSet{}, nil
		}
	case nameExpr:
		if e.text == "." {
			return termSet{}, &stats.ArgumentError{Name: "term", Got: ".", Want: "the variables by name"}
		}
	case unaryExpr:
		return f.expandUnary(e)
	case binaryExpr:
		return f.expandBinary(e)
	}
	return termSet{terms: []term{{f.variable(e)}}}, nil
}

func (f *Formula) expandUnary(e *Expr) (termSet, error) {
	s, err := f.expand(e.args[0])
	if err != nil {
		return s, err
	}
	switch e.text {
	case "+":
		return s, nil
	case "-":
		return subtract(termSet{}, s), nil
	}
	return s, &stats.ArgumentError{Name: "operator", Got: e.text, Want: "+ - * : / ^ or %in%"}
}

// subtract takes the terms of b away from a; − 1 takes the constant away and − 0 puts it back.
func subtract(a, b termSet) termSet {
	for _, t := range b.terms {
		if len(t) == 0 {
			a.noIntercept = true
		}
		a.remove(t)
	}
	if b.noIntercept {
		a.noIntercept = false
	}
	return a
}

func (f *Formula) expandBinary(e *Expr) (termSet, error) {
	a, err := f.expand(e.args[0])
	if err != nil {
		return a, err
	}
	if e.text == "^" {
		return f.power(a, e.args[1])
	}
	b, err := f.expand(e.args[1])
	if err != nil {
		return b, err
	}
	switch e.text {
	case "+":
		for _, t := range b.terms {
			if len(t) == 0 {
				a.noIntercept = false
			}
			a.add(t)
		}
		a.noIntercept = a.noIntercept || b.noIntercept
		return a, nil
	case "-":
		return subtract(a, b), nil
	case ":", "%in%":
		return crossed(a, b), nil
	case "*":
		s := termSet{noIntercept: a.noIntercept || b.noIntercept}
		for _, t := range append(append(slices.Clone(a.terms), b.terms...), crossed(a, b).terms...) {
			s.add(t)
		}
		return s, nil
	case "/":
		var whole term
		for _, t := range a.terms {
			whole = union(whole, t)
		}
		for _, t := range b.terms {
			a.add(union(whole, t))
		}
		return a, nil
	}
	return a, &stats.ArgumentError{Name: "operator", Got: e.text, Want: "+ - * : / ^ or %in%; write arithmetic inside I( )"}
}

func (f *Formula) power(a termSet, exponent *Expr) (termSet, error) {
	if exponent.kind != numberExpr || exponent.num < 1 || exponent.num != float64(int(exponent.num)) {
		return a, &stats.ArgumentError{Name: "power of terms", Got: exponent.String(), Want: "a whole number; write arithmetic inside I( )"}
	}
	s := termSet{terms: slices.Clone(a.terms), noIntercept: a.noIntercept}
	for range int(exponent.num) - 1 {
		for _, t := range crossed(s, a).terms {
			s.add(t)
		}
	}
	return s, nil
}

// variable returns the index of the variable that an expression makes.
func (f *Formula) variable(e *Expr) int {
	name := e.String()
	for i, v := range f.variables {
		if v.String() == name {
			return i
		}
	}
	f.variables = append(f.variables, e)
	return len(f.variables) - 1
}

// addRandom records a term with a bar.
func (f *Formula) addRandom(bar *Expr) error {
	inner := &Formula{Intercept: true}
	if err := inner.build(bar.args[0]); err != nil {
		return err
	}
	parts := []*Formula{inner}
	if bar.text == "||" {
		parts = inner.singles()
	}
	for _, by := range groupings(bar.args[1]) {
		names := make([]string, len(by))
		for i, e := range by {
			names[i] = e.String()
		}
		for _, part := range parts {
			f.Random = append(f.Random, RandomTerm{Inner: part, Group: strings.Join(names, ":"), by: by})
		}
	}
	return nil
}

// singles splits a formula into one formula a term, the constant first.
func (f *Formula) singles() []*Formula {
	var parts []*Formula
	if f.Intercept {
		parts = append(parts, &Formula{Intercept: true})
	}
	for _, t := range f.terms {
		parts = append(parts, &Formula{variables: f.variables, terms: []term{t}})
	}
	return parts
}

// groupings turns a, a:b and a/b into the groupings they stand for.
func groupings(e *Expr) [][]*Expr {
	for e.kind == parenExpr {
		e = e.args[0]
	}
	if e.kind == binaryExpr {
		left, right := groupings(e.args[0]), groupings(e.args[1])
		switch e.text {
		case ":":
			return [][]*Expr{append(slices.Clone(left[0]), right[0]...)}
		case "/":
			last := left[len(left)-1]
			nested := append(slices.Clone(right[0]), last...)
			return append(left, nested)
		}
	}
	return [][]*Expr{{e}}
}

// TakeCalls removes the main-effect terms that call the named function, such
// as strata(centre) or cluster(patient), and returns their calls. A variable
// that is in no other term is forgotten, and not evaluated.
func (f *Formula) TakeCalls(function string) []*Expr {
	var taken []*Expr
	f.terms = slices.DeleteFunc(f.terms, func(t term) bool {
		if len(t) != 1 || f.variables[t[0]].kind != callExpr || f.variables[t[0]].text != function {
			return false
		}
		taken = append(taken, f.variables[t[0]])
		return true
	})
	var kept []*Expr
	renumbered := make([]int, len(f.variables))
	for i, v := range f.variables {
		renumbered[i] = len(kept)
		if slices.ContainsFunc(f.terms, func(t term) bool { return slices.Contains(t, i) }) {
			kept = append(kept, v)
		}
	}
	f.variables = kept
	for _, t := range f.terms {
		for j, v := range t {
			t[j] = renumbered[v]
		}
	}
	return taken
}

// label returns the name of a term: its variables joined by colons.
func (f *Formula) label(t term) string {
	names := make([]string, len(t))
	for i, v := range t {
		names[i] = f.variables[v].String()
	}
	return strings.Join(names, ":")
}

// Terms returns the labels of the fixed terms without the constant, in model order.
func (f *Formula) Terms() []string {
	labels := make([]string, len(f.terms))
	for i, t := range f.terms {
		labels[i] = f.label(t)
	}
	return labels
}

// Names returns every column that the formula reads, each once.
func (f *Formula) Names() []string {
	var names []string
	add := func(e *Expr) {
		for _, n := range e.Names() {
			if !slices.Contains(names, n) {
				names = append(names, n)
			}
		}
	}
	if f.Response != nil {
		add(f.Response)
	}
	for _, t := range f.terms {
		for _, v := range t {
			add(f.variables[v])
		}
	}
	for _, e := range f.Offsets {
		add(e)
	}
	for _, r := range f.Random {
		for _, n := range r.Inner.Names() {
			if !slices.Contains(names, n) {
				names = append(names, n)
			}
		}
		for _, e := range r.by {
			add(e)
		}
	}
	return names
}
