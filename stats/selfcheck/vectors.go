package selfcheck

import (
	"fmt"
	"math"
	"strconv"
)

// vector returns one vector of the input after missing values were dropped.
func (in *Input) vector(name string) (*column, error) {
	if in.vectors == nil {
		if err := in.makeVectors(); err != nil {
			return nil, err
		}
	}
	if c, ok := in.vectors[name]; ok {
		in.read[name] = true
		return c, nil
	}
	value, err := in.Value(name)
	if err != nil {
		return nil, err
	}
	if text, ok := value.(string); ok {
		if in.frame == nil {
			return nil, NotCovered("argument %s is %q without a data set", name, text)
		}
		numbers, err := in.frame.Eval(text)
		if err != nil {
			return nil, fmt.Errorf("argument %s: %w", name, err)
		}
		return dropMissing(numericColumn(numbers)), nil
	}
	return nil, NotCovered("argument %s is not a vector", name)
}

// makeVectors evaluates every argument that names a column or lists values,
// and drops missing values: of each vector on its own, or row by row over all
// column vectors where the case has "drop_missing".
func (in *Input) makeVectors() error {
	in.vectors = map[string]*column{}
	var fromColumns []string
	for _, name := range in.Keys() {
		wasRead := in.read[name]
		value, err := in.Value(name)
		in.read[name] = wasRead
		if err != nil {
			return err
		}
		switch v := value.(type) {
		case map[string]any:
			c, err := in.columnVector(name, v)
			if err != nil {
				return err
			}
			if c != nil {
				in.vectors[name] = c
				fromColumns = append(fromColumns, name)
			}
		case []any:
			if c := listed(v); c != nil {
				in.vectors[name] = c
			}
		}
	}
	if !in.Has("drop_missing") {
		for _, name := range fromColumns {
			in.vectors[name] = dropMissing(in.vectors[name])
		}
		return nil
	}
	rows := -1
	for _, name := range fromColumns {
		n := len(in.vectors[name].text)
		if rows >= 0 && n != rows {
			return NotCovered("vectors of %d and %d rows cannot be matched row by row", rows, n)
		}
		rows = n
	}
	var keep []int
	for i := range max(rows, 0) {
		complete := true
		for _, name := range fromColumns {
			complete = complete && in.vectors[name].text[i] != ""
		}
		if complete {
			keep = append(keep, i)
		}
	}
	for _, name := range fromColumns {
		in.vectors[name] = in.vectors[name].pick(keep)
	}
	return nil
}

// columnVector returns the vector of an argument {"column": …, "where": …}, or
// nil if the argument is something else.
func (in *Input) columnVector(name string, spec map[string]any) (*column, error) {
	title, ok := spec["column"].(string)
	if !ok {
		return nil, nil
	}
	for key := range spec {
		if key != "column" && key != "where" {
			return nil, NotCovered("argument %s has %q beside column and where", name, key)
		}
	}
	if in.frame == nil {
		return nil, NotCovered("argument %s is a column without a data set", name)
	}
	c := in.frame.columns[title]
	if c == nil {
		return nil, NotCovered("the data set has no column %q", title)
	}
	where, _ := spec["where"].(map[string]any)
	if spec["where"] != nil && where == nil {
		return nil, NotCovered("argument %s: where is %v, not columns and values", name, spec["where"])
	}
	rows, err := in.frame.matching(where)
	if err != nil {
		return nil, err
	}
	return c.pick(rows), nil
}

// listed returns a list of numbers or texts as a vector; null is missing.
func listed(list []any) *column {
	text := make([]string, len(list))
	numbers := make([]float64, len(list))
	numeric := true
	for i, entry := range list {
		if entry == nil {
			numbers[i] = math.NaN()
			continue
		}
		if number, ok := toNumber(entry); ok {
			numbers[i], text[i] = number, strconv.FormatFloat(number, 'g', -1, 64)
			continue
		}
		word, ok := entry.(string)
		if !ok {
			return nil
		}
		text[i], numeric = word, false
	}
	c := &column{text: text}
	if numeric {
		c.numbers = numbers
	}
	return dropMissing(c)
}

func numericColumn(numbers []float64) *column {
	c := &column{text: make([]string, len(numbers)), numbers: numbers}
	for i, v := range numbers {
		if !math.IsNaN(v) {
			c.text[i] = strconv.FormatFloat(v, 'g', -1, 64)
		}
	}
	return c
}

func dropMissing(c *column) *column {
	var keep []int
	for i, text := range c.text {
		if text != "" {
			keep = append(keep, i)
		}
	}
	return c.pick(keep)
}

func (c *column) pick(rows []int) *column {
	out := &column{text: make([]string, len(rows))}
	if c.numbers != nil {
		out.numbers = make([]float64, len(rows))
	}
	for i, row := range rows {
		out.text[i] = c.text[row]
		if c.numbers != nil {
			out.numbers[i] = c.numbers[row]
		}
	}
	return out
}
