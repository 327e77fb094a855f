package export

import (
	"bytes"
	_ "embed"
	"fmt"
	"math"
	"slices"
	"strconv"
	"text/template"

	"keratally/registry/snapshot"
)

//go:embed analysis.R.tmpl
var analysisR string

//go:embed analysis.py.tmpl
var analysisPy string

var scriptTemplates = map[string]*template.Template{
	"analysis.R":  template.Must(template.New("analysis.R").Parse(analysisR)),
	"analysis.py": template.Must(template.New("analysis.py").Parse(analysisPy)),
}

// example is what the scripts reproduce: the declared primary measure and
// window, the two most frequent protocols, the most frequent complication.
type example struct {
	Format               string
	Measure, Window      string
	ProtocolA, ProtocolB int    // 0 where there are fewer than two
	Complication         string // column; "" where there was none
	Level                string
	Day12, Day24         int
}

// monthDay returns the day that stands for a month in the report's tables of
// time to progression: whole days nearest to so many twelfths of 365.25.
func monthDay(months int) int { return int(math.Round(float64(months) * 365.25 / 12)) }

func (b *builder) example(kinds []snapshot.Complications) example {
	a := &b.o.Definitions.Analysis
	x := example{Format: b.opts.Format, Measure: a.PrimaryMeasure, Window: under(a.PrimaryWindow), Level: strconv.FormatFloat(a.ConfidenceLevel, 'g', -1, 64),
		Day12: monthDay(12), Day24: monthDay(24)}
	counts := make([]int, len(b.protocols))
	for e := range b.o.Episodes {
		if n := b.protocols[b.protocolOf(e)]; n > 0 {
			counts[n-1]++
		}
	}
	if len(counts) >= 2 {
		numbers := make([]int, len(counts))
		for i := range numbers {
			numbers[i] = i + 1
		}
		slices.SortStableFunc(numbers, func(p, q int) int { return counts[q-1] - counts[p-1] })
		x.ProtocolA, x.ProtocolB = numbers[0], numbers[1]
	}
	most := 0
	for i := range kinds {
		if events, _, _, _ := kinds[i].Counts(); events > most {
			most, x.Complication = events, b.eventColumn(&kinds[i].Kind)
		}
	}
	return x
}

// script returns analysis.R or analysis.py for this export.
func (e *Export) script(name string) ([]byte, error) {
	var out bytes.Buffer
	if err := scriptTemplates[name].Execute(&out, e.example); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return out.Bytes(), nil
}
