package selfcheck

import (
	"math"
	"regexp"
	"strings"

	"keratally/stats/regress"
)

// preparedDesign evaluates a formula on the case's data set after its prep.
func preparedDesign(in *Input, text string) (*regress.Design, error) {
	frame, err := in.Frame()
	if err != nil {
		return nil, err
	}
	if in.Has("prep") {
		code, err := in.Text("prep")
		if err != nil {
			return nil, err
		}
		if frame, err = prepare(frame, code); err != nil {
			return nil, err
		}
	}
	formula, err := modelFormula(text)
	if err != nil {
		return nil, err
	}
	return modelDesign(frame, formula)
}

// mergeBaseline is the one preparation known: the baseline value of each
// subject beside its later visits, and the change from it. Named groups are the
// parts that may differ.
var mergeBaseline = regexp.MustCompile(`^\{;\s*b <- d\[d\$(?P<visit>[\w.]+) == (?P<start>[-\d.]+), c\("(?P<id>[\w.]+)", "(?P<value>[\w.]+)"\)\];\s*` +
	`names\(b\)\[2\] <- "(?P<baseline>[\w.]+)";\s*` +
	`e <- merge\(d\[d\$(?P<visit2>[\w.]+) > (?P<start2>[-\d.]+), \], b, by = "(?P<id2>[\w.]+)", sort = FALSE\);\s*` +
	`e\$(?P<change>[\w.]+) <- e\$(?P<value2>[\w.]+) - e\$(?P<baseline2>[\w.]+);\s*` +
	`e\[order\([^\]]*\), \];\s*\}$`)

// prepare carries out the R code of a case's prep.
func prepare(f *Frame, code string) (*Frame, error) {
	match := mergeBaseline.FindStringSubmatch(code)
	if match == nil {
		return nil, NotCovered("prep %q is not known", code)
	}
	part := func(name string) string { return match[mergeBaseline.SubexpIndex(name)] }
	for _, name := range []string{"visit", "start", "id", "value", "baseline"} {
		if part(name) != part(name+"2") {
			return nil, NotCovered("prep uses both %s and %s", part(name), part(name+"2"))
		}
	}
	start, err := parseRNumber("visit", part("start"))
	if err != nil {
		return nil, err
	}
	ids, err := f.Texts(part("id"))
	if err != nil {
		return nil, err
	}
	visit, err := f.Numbers(part("visit"))
	if err != nil {
		return nil, err
	}
	values, err := f.Numbers(part("value"))
	if err != nil {
		return nil, err
	}
	at := map[string]float64{}
	for i, id := range ids {
		if visit[i] == start {
			at[id] = values[i]
		}
	}
	var rows []int
	var baseline, change []float64
	for i, id := range ids {
		if first, ok := at[strings.TrimSpace(id)]; ok && visit[i] > start {
			rows = append(rows, i)
			baseline = append(baseline, first)
			if math.IsNaN(first) || math.IsNaN(values[i]) {
				change = append(change, math.NaN())
				continue
			}
			change = append(change, values[i]-first)
		}
	}
	out, err := f.Subset(rows).WithNumbers(part("baseline"), baseline)
	if err != nil {
		return nil, err
	}
	return out.WithNumbers(part("change"), change)
}
