package proof

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats"
	"keratally/stats/proportion"
)

// reasons are the errors that a method may give for a number that does not
// exist, besides *stats.ArgumentError.
var reasons = []error{
	stats.ErrNoData, stats.ErrTooFew, stats.ErrNoVariance, stats.ErrAllZero, stats.ErrNoEvents, stats.ErrNotConverged,
	stats.ErrSeparation, stats.ErrCollinear, stats.ErrOneGroup, stats.ErrNotFinite, stats.ErrLengths, proportion.ErrEmptyMargin, proportion.ErrNoDiscordant, proportion.ErrTooLarge,
}

func isReason(err error) bool {
	var argument *stats.ArgumentError
	return errors.As(err, &argument) || slices.ContainsFunc(reasons, func(r error) bool { return errors.Is(err, r) })
}

// attempt calls a method, and returns a panic as words.
func attempt(f reflect.Value, args []reflect.Value) (out []reflect.Value, panicked string) {
	defer func() {
		if p := recover(); p != nil {
			panicked = fmt.Sprint(p)
		}
	}()
	return f.Call(args), ""
}

// Each method is called with ordinary arguments and then with each argument at
// each of its edges, and with all its columns at the same edge. It must give a
// number or a reason: no panic, no error without a type, and no NaN where the
// ordinary result has a number unless a note says why or allowedNaN does.
func TestEdgesOfEveryMethod(t *testing.T) {
	calls := 0
	for name, c := range ordinaryCalls(t) {
		t.Run(name, func(t *testing.T) {
			f := reflect.ValueOf(c[0])
			args := make([]reflect.Value, len(c)-1)
			for i := range args {
				args[i] = reflect.ValueOf(c[i+1]).Convert(f.Type().In(i))
			}
			out, panicked := attempt(f, args)
			require.Empty(t, panicked, "with ordinary arguments")
			err, hasError := lastError(out)
			require.NoError(t, err, "with ordinary arguments")
			usual := map[string]bool{}
			for k, o := range out {
				nans(o, fmt.Sprint(k), usual)
			}
			try := func(words string, changed []reflect.Value) {
				calls++
				out, panicked := attempt(f, changed)
				if panicked != "" {
					t.Errorf("%s: panic: %s", words, panicked)
					return
				}
				err, _ := lastError(out)
				if err != nil {
					if !isReason(err) {
						t.Errorf("%s: %q is no error of package stats", words, err)
					}
					return
				}
				if !hasError {
					return // its documentation says where it is NaN
				}
				found, noted := map[string]bool{}, false
				for k, o := range out {
					noted = nans(o, fmt.Sprint(k), found) || noted
				}
				for path := range found {
					if !usual[path] && !noted && !allowed(name, path) {
						t.Errorf("%s: %s is NaN without a reason", words, path)
					}
				}
			}
			for i := range args {
				if args[i].Kind() == reflect.Func {
					continue
				}
				for _, v := range variants(args[i]) {
					changed := slices.Clone(args)
					changed[i] = v.value
					try(fmt.Sprintf("argument %d %s", i+1, v.words), changed)
				}
			}
			for _, words := range []string{"one value", "two values", "constant", "all zero", "offset 1e9", "a huge value"} {
				changed := slices.Clone(args)
				for i := range args {
					if x, ok := args[i].Interface().([]float64); ok {
						changed[i] = reflect.ValueOf(columns(x)[words])
					} else if n := args[i]; n.Kind() == reflect.Slice && n.Len() > 2 {
						short := map[string]int{"one value": 1, "two values": 2}[words]
						if short > 0 {
							changed[i] = n.Slice(0, short)
						}
					}
				}
				try("columns: "+words, changed)
			}
		})
	}
	require.Greater(t, calls, 5000)
}

func lastError(out []reflect.Value) (error, bool) {
	if len(out) == 0 || out[len(out)-1].Type() != reflect.TypeFor[error]() {
		return nil, false
	}
	err, _ := out[len(out)-1].Interface().(error)
	return err, true
}

func allowed(name, path string) bool {
	for _, a := range allowedNaN {
		if a.method == name && strings.Contains(path, a.path) {
			return true
		}
	}
	return false
}
