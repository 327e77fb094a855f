package selfcheck

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"sort"
	"strings"
)

// Outcome is how a case ended.
type Outcome int

// The outcomes of a case.
const (
	Agrees Outcome = iota + 1
	Differs
	Uncovered
)

// String returns "agrees", "differs" or "not covered".
func (o Outcome) String() string {
	switch o {
	case Agrees:
		return "agrees"
	case Differs:
		return "differs"
	default:
		return "not covered"
	}
}

// Line is the comparison of one number or text of a case.
type Line struct {
	Key          string
	Ours, Theirs string
	Digits       float64 // significant digits of agreement, NaN where there is no number
	Absolute     bool    // it agrees by an absolute tolerance only, as numbers next to zero do
	Outcome      Outcome
	Why          string // why not covered, or why there is no number
}

// remarks are results in the words of the reference software, and settings of
// a Monte Carlo reference: they describe the case and are not compared.
var remarks = map[string]bool{
	"statistic_name": true, "note": true, "reason": true, "data_name": true, "method": true,
	"run_sd": true, "runs": true, "R": true, "tolerance_absolute_for_R20000": true, "iterations": true,
}

type comparison struct {
	c        *Case
	relative bool // numbers agree by relative difference only
	// slack holds absolute tolerances of Monte Carlo results by key
	slack map[string]float64
	why   string // why results may not exist: our error in words
	lines []Line
}

func compare(c *Case, ours Results, reason error) []Line {
	k := &comparison{
		c:        c,
		relative: c.Family == "distributions" || strings.HasPrefix(c.Family, "nist_"),
		slack:    monteCarloSlack(c.Results),
	}
	if reason != nil {
		k.why = reason.Error()
	}
	for _, key := range sortedNames(c.Results) {
		if remarks[key] && !has(ours, key) {
			continue
		}
		k.value(key, key, field(ours, key), has(ours, key), c.Results[key])
	}
	return k.lines
}

func (k *comparison) value(path, key string, ours any, present bool, theirs any) {
	switch t := theirs.(type) {
	case map[string]any:
		if !present {
			k.missing(path, theirs)
			return
		}
		for _, name := range sortedNames(t) {
			inner, has := lookup(ours, name)
			if remarks[name] && !has {
				continue
			}
			k.value(path+"."+name, name, inner, has, t[name])
		}
	case []any:
		list, ok := asList(ours)
		switch {
		case !present:
			k.missing(path, theirs)
		case !ok:
			k.add(Line{Key: path, Ours: show(ours), Theirs: fmt.Sprintf("%d values", len(t)), Digits: math.NaN(), Outcome: Differs})
		case len(list) != len(t):
			k.add(Line{Key: path, Ours: fmt.Sprintf("%d values", len(list)), Theirs: fmt.Sprintf("%d values", len(t)), Digits: math.NaN(), Outcome: Differs})
		default:
			for i, entry := range t {
				k.value(fmt.Sprintf("%s[%d]", path, i+1), key, list[i], true, entry)
			}
		}
	default:
		k.leaf(path, key, ours, present, theirs)
	}
}

func (k *comparison) missing(path string, theirs any) {
	if !isAbsent(theirs) {
		outcome, why := Uncovered, "the program gives no such result"
		if k.why != "" {
			outcome, why = Differs, k.why
		}
		k.add(Line{Key: path, Ours: "-", Theirs: show(theirs), Digits: math.NaN(), Outcome: outcome, Why: why})
		return
	}
	if k.why != "" {
		k.add(Line{Key: path, Ours: "-", Theirs: show(theirs), Digits: math.NaN(), Outcome: Agrees, Why: k.why})
		return
	}
	k.add(Line{Key: path, Ours: "-", Theirs: show(theirs), Digits: math.NaN(), Outcome: Uncovered, Why: "the program gives no such result"})
}

func (k *comparison) leaf(path, key string, ours any, present bool, theirs any) {
	if !present {
		k.missing(path, theirs)
		return
	}
	line := Line{Key: path, Ours: show(ours), Theirs: show(theirs), Digits: math.NaN(), Outcome: Agrees}
	if theirs == "NaN" {
		line.Why = "the reference has none; not compared"
		k.add(line)
		return
	}
	a, aIsNumber := number(ours)
	if theirs == nil {
		if !(ours == nil || aIsNumber && math.IsNaN(a)) {
			line.Outcome = Differs
		}
		k.add(line)
		return
	}
	b, bIsNumber := number(theirs)
	switch {
	case aIsNumber && bIsNumber:
		line.Digits = digits(a, b)
		line.Absolute = !k.close(a, b)
		if line.Absolute && !k.near(key, a, b) {
			line.Outcome, line.Absolute = Differs, false
		}
		if math.IsNaN(a) {
			line.Why = k.why
		}
	case fmt.Sprint(ours) != fmt.Sprint(theirs):
		line.Outcome = Differs
		if ours == nil {
			line.Why = k.why
		}
	}
	k.add(line)
}

// close reports whether the relative difference is within the tolerance of the
// case.
func (k *comparison) close(a, b float64) bool {
	if a == b {
		return true
	}
	if math.IsNaN(a) || math.IsInf(a, 0) || math.IsInf(b, 0) {
		return false
	}
	return math.Abs(a-b) <= k.c.Tolerance*math.Max(math.Abs(a), math.Abs(b))
}

// near reports whether numbers that are not close agree by the rest of the
// comparison rule: a p value by at most 1e-10, anything else by at most the
// smaller of tolerance and 1e-9 (1e-7 for skewness and kurtosis), or by the
// absolute tolerance of the case. Distributions and certified values have no
// such allowance.
func (k *comparison) near(key string, a, b float64) bool {
	off := math.Abs(a - b)
	if math.IsNaN(off) || math.IsInf(off, 0) {
		return false
	}
	if slack, ok := k.slack[key]; ok && off <= slack {
		return true
	}
	if k.c.AbsTolerance > 0 && off <= k.c.AbsTolerance {
		return true
	}
	switch {
	case k.relative:
		return false
	case strings.HasPrefix(key, "p"):
		return off <= 1e-10
	case strings.HasPrefix(key, "skewness") || strings.HasPrefix(key, "kurtosis"):
		return off <= 1e-7
	default:
		return off <= math.Min(k.c.Tolerance, 1e-9)
	}
}

func (k *comparison) add(line Line) { k.lines = append(k.lines, line) }

// digits returns the significant digits to which a and b agree: 16 when equal.
func digits(a, b float64) float64 {
	switch {
	case a == b:
		return 16
	case math.IsNaN(a) || math.IsNaN(b) || math.IsInf(a, 0) || math.IsInf(b, 0):
		return 0
	}
	return math.Max(0, math.Min(16, -math.Log10(math.Abs(a-b)/math.Max(math.Abs(a), math.Abs(b)))))
}

// monteCarloSlack returns the absolute tolerances of a Monte Carlo reference:
// those it states, five times its standard deviation between runs otherwise,
// and for z0, the normal quantile of a share of R resamples, five times
// √(1/4R)/φ(0).
func monteCarloSlack(results map[string]any) map[string]float64 {
	spread, ok := results["run_sd"].(map[string]any)
	if !ok {
		return nil
	}
	slack := map[string]float64{}
	for key, value := range spread {
		if sd, ok := number(value); ok {
			slack[key] = 5 * sd
		}
	}
	if stated, ok := results["tolerance_absolute_for_R20000"].(map[string]any); ok {
		for key, value := range stated {
			if tolerance, ok := number(value); ok {
				slack[key] = tolerance
			}
		}
	}
	if resamples, ok := number(results["R"]); ok && resamples > 0 {
		slack["z0"] = 5 * math.Sqrt(2*math.Pi/(4*resamples))
	}
	return slack
}

// isAbsent reports whether a reference value says that there is no number.
func isAbsent(theirs any) bool {
	switch t := theirs.(type) {
	case nil:
		return true
	case string:
		return t == "NaN"
	case []any:
		for _, entry := range t {
			if !isAbsent(entry) {
				return false
			}
		}
		return true
	case map[string]any:
		for key, entry := range t {
			if !remarks[key] && !isAbsent(entry) {
				return false
			}
		}
		return true
	}
	return false
}

func number(value any) (float64, bool) {
	if v, ok := toNumber(value); ok {
		return v, true
	}
	if value == nil {
		return 0, false
	}
	switch v := reflect.ValueOf(value); v.Kind() {
	case reflect.Float64, reflect.Float32:
		return v.Float(), true
	case reflect.Int, reflect.Int64, reflect.Int32:
		if _, isText := value.(fmt.Stringer); isText {
			return 0, false
		}
		return float64(v.Int()), true
	}
	return 0, false
}

func show(value any) string {
	if value == nil {
		return "none"
	}
	if v, ok := number(value); ok {
		if _, isText := value.(string); !isText {
			if n, isJSON := value.(json.Number); isJSON {
				return n.String()
			}
			return fmt.Sprintf("%.16g", v)
		}
	}
	switch t := value.(type) {
	case map[string]any, Results:
		return fmt.Sprintf("%d results", reflect.ValueOf(t).Len())
	case []any:
		return fmt.Sprintf("%d values", len(t))
	}
	return fmt.Sprint(value)
}

func asList(value any) ([]any, bool) {
	if value == nil {
		return nil, false
	}
	v := reflect.ValueOf(value)
	if v.Kind() != reflect.Slice {
		return nil, false
	}
	list := make([]any, v.Len())
	for i := range list {
		list[i] = v.Index(i).Interface()
	}
	return list, true
}

// lookup returns the entry of a map with text keys.
func lookup(value any, key string) (any, bool) {
	switch m := value.(type) {
	case Results:
		entry, ok := m[key]
		return entry, ok
	case map[string]any:
		entry, ok := m[key]
		return entry, ok
	case nil:
		return nil, false
	}
	v := reflect.ValueOf(value)
	if v.Kind() == reflect.Map && v.Type().Key().Kind() == reflect.String {
		entry := v.MapIndex(reflect.ValueOf(key).Convert(v.Type().Key()))
		if entry.IsValid() {
			return entry.Interface(), true
		}
	}
	return nil, false
}

func has(ours Results, key string) bool  { _, ok := ours[key]; return ok }
func field(ours Results, key string) any { return ours[key] }

func sortedNames(m map[string]any) []string {
	names := make([]string, 0, len(m))
	for name := range m {
		names = append(names, name)
	}
	sort.Strings(names)
	return names
}
