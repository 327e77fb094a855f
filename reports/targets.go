package reports

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"keratally/stats"
)

// Target is a figure that a clinic holds itself to, with where it comes from.
// Exactly one of AtLeast and AtMost is given, in the unit of the figure; shares
// are fractions.
type Target struct {
	Figure  string   `toml:"figure"` // key of a key figure: see TargetFigures
	AtLeast *float64 `toml:"at_least"`
	AtMost  *float64 `toml:"at_most"`
	Origin  string   `toml:"origin"` // who set it and on what ground
}

// TargetFigures lists the figures that a target can be set for.
func TargetFigures() []string {
	return []string{"kmax-change", "kmax-flatter", "kmax-steeper", "cdva-change", "cdva-lost-2", "seen"}
}

// ParseTargets reads a targets file:
//
//	[[target]]
//	figure   = "seen"           # share of due eyes seen at the primary window
//	at_least = 0.80
//	origin   = "clinic board, January 2026"
func ParseTargets(text []byte) ([]Target, error) {
	var file struct {
		Target []Target `toml:"target"`
	}
	if err := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields().Decode(&file); err != nil {
		var unknown *toml.StrictMissingError
		if errors.As(err, &unknown) {
			return nil, fmt.Errorf("targets: unknown key:\n%s", unknown.String())
		}
		return nil, fmt.Errorf("targets: %w", err)
	}
	for i, t := range file.Target {
		known := false
		for _, f := range TargetFigures() {
			known = known || f == t.Figure
		}
		switch {
		case !known:
			return nil, fmt.Errorf("target %d: figure %q: should be one of %s", i+1, t.Figure, strings.Join(TargetFigures(), ", "))
		case (t.AtLeast == nil) == (t.AtMost == nil):
			return nil, fmt.Errorf("target %d (%s): should have either at_least or at_most", i+1, t.Figure)
		case t.Origin == "":
			return nil, fmt.Errorf("target %d (%s): should say its origin: who set it and on what ground", i+1, t.Figure)
		}
	}
	return file.Target, nil
}

// keyFigure is one of the audit's headline numbers.
type keyFigure struct {
	key, name       string
	format          Format
	interval        stats.Interval
	err             error
	eyes, patients  int
	missing         int
	cases           *Cases
	patientsUnknown bool
}

func (f *keyFigure) row() Row {
	row := Row{Key: f.key, Cells: []Cell{Text(f.name), {}, {}, {}, Count(f.eyes), Count(f.patients), Count(f.missing)}}
	if f.patientsUnknown {
		row.Cells[5] = Cell{}
	}
	if f.err != nil {
		row.Cells[1] = Reason(f.err)
		return row
	}
	row.Cells[1] = Number(f.interval.Estimate).As(f.format)
	if f.cases != nil {
		row.Cells[1] = row.Cells[1].From(f.cases)
	}
	row.Cells[2], row.Cells[3] = Number(f.interval.Lower).As(f.format), Number(f.interval.Upper).As(f.format)
	return row
}

// targets sets the key figures beside the clinic's own targets.
func (a *Audit) targets() ([]Section, error) {
	if len(a.Source.Targets) == 0 {
		return nil, nil
	}
	sec := Section{Name: "Targets", Title: "The clinic's own targets"}
	t := &Table{Columns: []Column{{Key: "figure", Head: "figure", Wide: true}, {Key: "target", Head: "target"}, {Key: "value", Head: "value", Format: TwoDec}, {Key: "lower", Head: "95 % CI from", Format: TwoDec, Pair: true}, {Key: "upper", Head: "to", Format: TwoDec},
		{Key: "eyes", Head: "eyes", Format: Whole}, {Key: "words", Head: "in words", Wide: true}, {Key: "origin", Head: "origin of the target", Wide: true}}}
	figures := a.keyFigures()
	for _, target := range a.Source.Targets {
		for i := range figures {
			if f := &figures[i]; f.key == target.Figure {
				t.Rows = append(t.Rows, target.row(f))
			}
		}
	}
	sec.Table = t
	sec.Empty = "None of the figures that have a target can be computed yet."
	sec.Notes = []string{"A target is met for certain where the whole interval lies on its side; where the interval reaches across it, these eyes do not tell."}
	return []Section{sec}, nil
}

func (t *Target) row(f *keyFigure) Row {
	limit, sign, words := t.AtLeast, "at least ", ""
	if limit == nil {
		limit, sign = t.AtMost, "at most "
	}
	cells := []Cell{Text(f.name), Text(sign + f.format.Print(*limit))}
	if f.err != nil {
		return Row{Cells: append(cells, Reason(f.err), Cell{}, Cell{}, Count(f.eyes), Text("cannot be told"), Text(t.Origin))}
	}
	iv := f.interval
	switch meets := iv.Estimate >= *limit == (t.AtLeast != nil) || iv.Estimate == *limit; {
	case iv.Lower < *limit && iv.Upper > *limit && meets:
		words = "met by the estimate; the interval reaches across the target"
	case iv.Lower < *limit && iv.Upper > *limit:
		words = "not met by the estimate; the interval reaches across the target"
	case meets:
		words = "met, the whole interval included"
	default:
		words = "not met, the whole interval included"
	}
	cells = append(cells, Number(iv.Estimate).As(f.format), Number(iv.Lower).As(f.format), Number(iv.Upper).As(f.format), Count(f.eyes), Text(words), Text(t.Origin))
	return Row{Cells: cells}
}
