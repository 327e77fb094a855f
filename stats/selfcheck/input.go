package selfcheck

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"sort"
	"strconv"
)

// Input gives a method the arguments of a case, and remembers which of them
// were read: a case with an argument that its method never read is not covered.
type Input struct {
	c     *Case
	frame *Frame // nil without a data set
	read  map[string]bool
	// vectors of the input after missing values were dropped, made at the first
	// use of any of them
	vectors map[string]*column
}

// Method runs one case: it translates the input, calls the statistics and
// names the results. A result that does not exist is NaN or nil. A method may
// return results together with an error of package stats that says why the
// others do not exist.
type Method func(in *Input) (Results, error)

// Results are numbers, texts, booleans, slices and nested Results by key, as in
// the file of expected results.
type Results map[string]any

func newInput(c *Case, frame *Frame) *Input {
	return &Input{c: c, frame: frame, read: map[string]bool{}}
}

// Method returns the method's name in the case.
func (in *Input) Method() string { return in.c.Method }

// Family returns the name of the file that holds the case.
func (in *Input) Family() string { return in.c.Family }

// CallText returns how the reference was made, such as an R call.
func (in *Input) CallText() string { return in.c.Call }

// Has reports whether the input has the argument.
func (in *Input) Has(name string) bool {
	_, ok := in.c.Input[name]
	return ok
}

// Keys returns the names of all arguments, sorted.
func (in *Input) Keys() []string {
	keys := make([]string, 0, len(in.c.Input))
	for key := range in.c.Input {
		keys = append(keys, key)
	}
	sort.Strings(keys)
	return keys
}

// Expects reports whether the reference has a result of this name, for a
// method that would otherwise compute much more than is asked.
func (in *Input) Expects(name string) bool {
	_, ok := in.c.Results[name]
	return ok
}

// unread returns the arguments that nothing asked for. Remarks do not count.
func (in *Input) unread() []string {
	var names []string
	for _, key := range in.Keys() {
		if !in.read[key] && key != "note" && key != "drop_missing" {
			names = append(names, key)
		}
	}
	return names
}

// Value returns an argument as JSON gives it (numbers as json.Number).
func (in *Input) Value(name string) (any, error) {
	raw, ok := in.c.Input[name]
	if !ok {
		return nil, NotCovered("the case has no argument %q", name)
	}
	in.read[name] = true
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.UseNumber()
	var value any
	if err := decoder.Decode(&value); err != nil {
		return nil, fmt.Errorf("argument %s: %w", name, err)
	}
	return value, nil
}

// Number returns a numeric argument; "Inf" and "-Inf" are infinite.
func (in *Input) Number(name string) (float64, error) {
	value, err := in.Value(name)
	if err != nil {
		return 0, err
	}
	number, ok := toNumber(value)
	if !ok {
		return 0, NotCovered("argument %s is %v, not a number", name, value)
	}
	return number, nil
}

// NumberOr is Number with a default where the case has no such argument.
func (in *Input) NumberOr(name string, fallback float64) (float64, error) {
	if !in.Has(name) {
		return fallback, nil
	}
	return in.Number(name)
}

// Int returns an argument that is a whole number.
func (in *Input) Int(name string) (int, error) {
	number, err := in.Number(name)
	if err != nil {
		return 0, err
	}
	if number != math.Trunc(number) || math.Abs(number) > 1<<53 {
		return 0, NotCovered("argument %s is %v, not a whole number", name, number)
	}
	return int(number), nil
}

// Text returns a textual argument.
func (in *Input) Text(name string) (string, error) {
	value, err := in.Value(name)
	if err != nil {
		return "", err
	}
	text, ok := value.(string)
	if !ok {
		return "", NotCovered("argument %s is %v, not a text", name, value)
	}
	return text, nil
}

// TextOr is Text with a default where the case has no such argument.
func (in *Input) TextOr(name, fallback string) (string, error) {
	if !in.Has(name) {
		return fallback, nil
	}
	return in.Text(name)
}

// BoolOr returns a true-or-false argument, or the default.
func (in *Input) BoolOr(name string, fallback bool) (bool, error) {
	if !in.Has(name) {
		return fallback, nil
	}
	value, err := in.Value(name)
	if err != nil {
		return false, err
	}
	is, ok := value.(bool)
	if !ok {
		return false, NotCovered("argument %s is %v, not true or false", name, value)
	}
	return is, nil
}

// Vector returns a numeric vector: a column of the data set with its filter,
// or numbers written in the case, or an expression over columns such as
// "A - B". Missing values are dropped, row by row over all vectors of the case
// where it says so.
func (in *Input) Vector(name string) ([]float64, error) {
	c, err := in.vector(name)
	if err != nil {
		return nil, err
	}
	if c.numbers == nil {
		return nil, NotCovered("argument %s is not numeric", name)
	}
	return c.numbers, nil
}

// Factor returns a vector as codes into its levels; see Vector and
// Frame.Factor.
func (in *Input) Factor(name string) (codes []int, levels []string, err error) {
	c, err := in.vector(name)
	if err != nil {
		return nil, nil, err
	}
	codes, levels = factorOf(c)
	return codes, levels, nil
}

// TextVector returns a vector as written; see Vector.
func (in *Input) TextVector(name string) ([]string, error) {
	c, err := in.vector(name)
	if err != nil {
		return nil, err
	}
	return c.text, nil
}

// Matrix returns an argument that is a list of rows of numbers.
func (in *Input) Matrix(name string) ([][]float64, error) {
	value, err := in.Value(name)
	if err != nil {
		return nil, err
	}
	list, ok := value.([]any)
	if !ok {
		return nil, NotCovered("argument %s is not a table", name)
	}
	rows := make([][]float64, len(list))
	for i, entry := range list {
		cells, ok := entry.([]any)
		if !ok {
			return nil, NotCovered("argument %s is not a table", name)
		}
		for _, cell := range cells {
			number, ok := toNumber(cell)
			if !ok {
				return nil, NotCovered("argument %s holds %v, not a number", name, cell)
			}
			rows[i] = append(rows[i], number)
		}
	}
	return rows, nil
}

// Texts returns an argument that is a list of texts (or one text).
func (in *Input) Texts(name string) ([]string, error) {
	value, err := in.Value(name)
	if err != nil {
		return nil, err
	}
	list, ok := value.([]any)
	if !ok {
		list = []any{value}
	}
	var texts []string
	for _, entry := range list {
		text, ok := entry.(string)
		if !ok {
			return nil, NotCovered("argument %s holds %v, not a text", name, entry)
		}
		texts = append(texts, text)
	}
	return texts, nil
}

// Frame returns the data set, filtered by the argument "where" if there is one
// beside a formula. An argument "prep" is for the caller to read and to apply.
func (in *Input) Frame() (*Frame, error) {
	if in.frame == nil {
		return nil, NotCovered("the case has no data set")
	}
	if !in.Has("where") {
		return in.frame, nil
	}
	value, err := in.Value("where")
	if err != nil {
		return nil, err
	}
	where, ok := value.(map[string]any)
	if !ok {
		return nil, NotCovered("where is %v, not columns and values", value)
	}
	return in.frame.Where(where)
}

func toNumber(value any) (float64, bool) {
	switch v := value.(type) {
	case json.Number:
		number, err := strconv.ParseFloat(string(v), 64)
		return number, err == nil || math.IsInf(number, 0)
	case string:
		switch v {
		case "Inf":
			return math.Inf(1), true
		case "-Inf":
			return math.Inf(-1), true
		case "NaN":
			return math.NaN(), true
		}
	}
	return 0, false
}
