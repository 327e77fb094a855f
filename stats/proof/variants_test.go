package proof

import (
	"fmt"
	"math"
	"reflect"
	"slices"

	"gonum.org/v1/gonum/mat"

	"keratally/stats/regress"
)

// variant is an argument at an edge, and what it is in words.
type variant struct {
	words string
	value reflect.Value
}

var edgeNumbers = []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, 1, -1, 0.5, 1e-300, 1e300}

// columns are samples at the edges, as long as the ordinary one or much shorter.
func columns(ordinary []float64) map[string][]float64 {
	n := len(ordinary)
	with := func(x float64) []float64 {
		out := slices.Clone(ordinary)
		if n > 0 {
			out[n/2] = x
		}
		return out
	}
	offset := slices.Clone(ordinary)
	for i := range offset {
		offset[i] += 1e9
	}
	return map[string][]float64{
		"empty": {}, "one value": ordinary[:min(1, n)], "two values": ordinary[:min(2, n)],
		"constant": slices.Repeat([]float64{2.5}, n), "all zero": make([]float64, n), "offset 1e9": offset,
		"a NaN": with(math.NaN()), "an infinite value": with(math.Inf(1)), "a negative infinite value": with(math.Inf(-1)),
		"a huge value": with(1e300), "one value apart": append(slices.Repeat([]float64{1}, max(0, n-1)), 2), "decreasing": decreasing(ordinary),
	}
}

// variants returns an argument at its edges, whatever its type.
func variants(v reflect.Value) (all []variant) {
	add := func(words string, x any) { all = append(all, variant{words, reflect.ValueOf(x).Convert(v.Type())}) }
	switch x := v.Interface().(type) {
	case []float64:
		for words, c := range columns(x) {
			add(words, c)
		}
		return all
	case *mat.Dense:
		r, c := x.Dims()
		for words, column := range columns(mat.Col(nil, c-1, x)) {
			if len(column) == r {
				m := mat.DenseCopyOf(x)
				m.SetCol(c-1, column)
				add("last column "+words, m)
			}
		}
		add("one row", mat.NewDense(1, c, nil))
		return all
	case *regress.Design:
		for words, y := range columns(x.Y) {
			if len(y) == len(x.Y) {
				d := *x
				d.Y = y
				add("response "+words, &d)
			}
		}
		return all
	}
	switch v.Kind() {
	case reflect.Float64:
		for _, x := range edgeNumbers {
			add(fmt.Sprint(x), x)
		}
	case reflect.Int, reflect.Uint64:
		for _, x := range []int{0, 1, 2, -1, 99} {
			if v.Kind() == reflect.Int || x >= 0 {
				add(fmt.Sprint(x), x)
			}
		}
	case reflect.Bool:
		add(fmt.Sprint(!v.Bool()), !v.Bool())
	case reflect.Slice:
		all = sliceVariants(v)
	case reflect.Struct:
		for i := range v.NumField() {
			if !v.Type().Field(i).IsExported() {
				continue
			}
			for _, f := range variants(v.Field(i)) {
				s := reflect.New(v.Type()).Elem()
				s.Set(v)
				s.Field(i).Set(f.value)
				all = append(all, variant{v.Type().Field(i).Name + " " + f.words, s})
			}
		}
		all = append(all, variant{"zero", reflect.Zero(v.Type())})
	}
	return all
}

// sliceVariants are the slices of other things: none, one, the first of them
// only, all alike, and each edge of the first and of all.
func sliceVariants(v reflect.Value) (all []variant) {
	all = append(all, variant{"empty", reflect.MakeSlice(v.Type(), 0, 0)})
	if v.Len() == 0 {
		return all
	}
	filled := func(element reflect.Value, from, to int) reflect.Value {
		s := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
		reflect.Copy(s, v)
		for i := from; i < to; i++ {
			s.Index(i).Set(element)
		}
		return s
	}
	all = append(all, variant{"one element", v.Slice(0, 1)}, variant{"two elements", v.Slice(0, min(2, v.Len()))},
		variant{"all alike", filled(v.Index(0), 0, v.Len())})
	for _, e := range variants(v.Index(0)) {
		all = append(all, variant{"first " + e.words, filled(e.value, 0, 1)}, variant{"all " + e.words, filled(e.value, 0, v.Len())})
	}
	return all
}

// nans returns where a result has a number that does not exist, positions in
// slices left out, and whether it carries a note.
func nans(v reflect.Value, path string, found map[string]bool) (noted bool) {
	switch v.Kind() {
	case reflect.Float64:
		if math.IsNaN(v.Float()) {
			found[path] = true
		}
	case reflect.Slice:
		for i := range v.Len() {
			noted = nans(v.Index(i), path+"[]", found) || noted
		}
	case reflect.Pointer:
		if _, matrix := v.Interface().(mat.Matrix); !matrix && !v.IsNil() && v.Type() != reflect.TypeFor[*regress.Design]() {
			return nans(v.Elem(), path, found)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			f := v.Type().Field(i)
			if !f.IsExported() {
				continue
			}
			if f.Name == "Notes" && v.Field(i).Len() > 0 {
				noted = true
			}
			noted = nans(v.Field(i), path+"."+f.Name, found) || noted
		}
	}
	return noted
}

func decreasing(x []float64) []float64 {
	out := slices.Sorted(slices.Values(x))
	slices.Reverse(out)
	return out
}
