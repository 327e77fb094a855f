package snapshot

import (
	"math"
	"slices"

	"keratally/registry"
	"keratally/registry/measure"
)

// Value is one quantity of an eye at one visit, as an analysis sees it.
type Value struct {
	Number   float64          // in units; NaN when there is none
	Visit    int32            // Absent when not measured
	Day      int              // after treatment; 0 or less for a baseline
	OffChart measure.OffChart // the finding, where Number is a stand-in or, without one, NaN
}

// Measured reports whether there was a finding, on the chart or off it.
func (v Value) Measured() bool { return v.Visit != Absent }

// IsValid reports whether there is a number.
func (v Value) IsValid() bool { return v.Visit != Absent && !math.IsNaN(v.Number) }

var notMeasured = Value{Number: math.NaN(), Visit: Absent}

// lattice is the number of parts of a unit that every measured quantity and
// every sum or half of two is a whole number of. J0 and J45 are not.
const lattice = 2000

// ChangeOf returns follow − baseline, taken in whole steps so that equal
// changes are equal numbers: 48.30 − 47.30 is exactly 1.
func ChangeOf(q registry.Quantity, baseline, follow float64) float64 {
	if q == registry.RefractiveJ0 || q == registry.RefractiveJ45 {
		return follow - baseline
	}
	return math.Round((follow-baseline)*lattice) / lattice
}

// ValueAt returns the quantity at a visit; Day is 0. Vision below the chart
// has the stand-in of the definitions, where they have one.
func (o *Outcomes) ValueAt(visit int32, q registry.Quantity) Value {
	v := &o.Snapshot.Visits
	if int(q) < registry.NumMeasures {
		info := &registry.Measures[q]
		if x := v.Values[q][visit]; x != measure.None {
			return Value{Number: x.Float(info.Unit), Visit: visit}
		}
		if info.Acuity && v.OffChart[q][visit] != 0 {
			finding := measure.OffChart(v.OffChart[q][visit])
			return Value{Number: o.Definitions.OffChart.StandIn(finding).Float(measure.LogMARUnit), Visit: visit, OffChart: finding}
		}
		return notMeasured
	}
	x := derive(v, visit, q)
	if math.IsNaN(x) {
		return notMeasured
	}
	return Value{Number: x, Visit: visit}
}

// derive returns a quantity that is made of several measures of one visit,
// NaN where one of them is missing. A sphere without a cylinder is a spherical
// refraction.
func derive(v *VisitColumns, visit int32, q registry.Quantity) float64 {
	at := func(m registry.Measure) measure.Steps { return v.Values[m][visit] }
	switch q {
	case registry.KMean, registry.CornealAstigmatism:
		k1, k2 := at(registry.K1), at(registry.K2)
		if k1 == measure.None || k2 == measure.None {
			return math.NaN()
		}
		if q == registry.KMean {
			return float64(k1+k2) / 200
		}
		return float64(k2-k1) / 100
	}
	sphere, cylinder, axis := at(registry.Sphere), at(registry.Cylinder), at(registry.RefractionAxis)
	if sphere == measure.None {
		return math.NaN()
	}
	if cylinder == measure.None {
		cylinder = 0
	}
	switch {
	case q == registry.SphericalEquivalent:
		return float64(2*sphere+cylinder) / 200
	case q == registry.CylinderMagnitude:
		return math.Abs(float64(cylinder)) / 100
	case cylinder != 0 && axis == measure.None:
		return math.NaN()
	}
	r := measure.Refraction{Sphere: sphere, Cylinder: cylinder}
	if cylinder != 0 {
		r.Axis = int16(axis)
	}
	vector, _ := r.PowerVector()
	if q == registry.RefractiveJ0 {
		return vector.J0
	}
	return vector.J45
}

// Baseline returns the last value of the quantity on or before day 0 of
// episode e, no older than the definitions allow.
func (o *Outcomes) Baseline(e int, q registry.Quantity) Value {
	one := &o.Episodes[e]
	oldest := one.Day0.Add(-o.Definitions.Analysis.BaselineMaxAge)
	for v := one.before - 1; v >= o.Snapshot.Visits.First[one.Eye]; v-- {
		on := o.Snapshot.Visits.On[v]
		if on < oldest {
			break
		}
		if x := o.ValueAt(v, q); x.Measured() {
			x.Day = on.Sub(one.Day0)
			return x
		}
	}
	return notMeasured
}

// At returns the value of the quantity for window w of episode e: the one
// measured closest to the target day, the earlier of two as close.
func (o *Outcomes) At(e, w int, q registry.Quantity) Value {
	best, distance := notMeasured, math.MaxInt
	target := o.Definitions.Windows.Windows[w].Target
	from, to := o.WindowVisits(e, w)
	for v := from; v < to; v++ {
		day := o.Snapshot.Visits.On[v].Sub(o.Episodes[e].Day0)
		if away := max(day-target, target-day); away < distance {
			if x := o.ValueAt(v, q); x.Measured() {
				x.Day = day
				best, distance = x, away
			}
		}
	}
	return best
}

// Sample is the values of one quantity, one an episode that has one.
type Sample struct {
	Quantity registry.Quantity
	Episode  []int32 // index into Outcomes.Episodes
	Patient  []int32 // the cluster: two eyes of one patient share it
	Value    []float64
	Day      []int32 // after treatment, 0 or less at baseline
	Missing  int     // episodes without a finding
	StandIns int     // values that stand in for vision below the chart
	LeftOut  int     // findings below the chart for which there is no stand-in
}

func (s *Sample) add(o *Outcomes, e int, x Value) {
	switch {
	case !x.Measured():
		s.Missing++
	case !x.IsValid():
		s.LeftOut++
	default:
		s.Episode = append(s.Episode, int32(e))
		s.Patient = append(s.Patient, o.Episodes[e].Patient)
		s.Value = append(s.Value, x.Number)
		s.Day = append(s.Day, int32(x.Day))
		if x.OffChart != 0 {
			s.StandIns++
		}
	}
}

// Baselines returns the baseline values of the quantity.
func (o *Outcomes) Baselines(q registry.Quantity) Sample {
	s := Sample{Quantity: q}
	for e := range o.Episodes {
		s.add(o, e, o.Baseline(e, q))
	}
	return s
}

// Follow returns the values of the quantity in window w.
func (o *Outcomes) Follow(q registry.Quantity, w int) Sample {
	s := Sample{Quantity: q}
	for e := range o.Episodes {
		s.add(o, e, o.At(e, w, q))
	}
	return s
}

// Pairs is the baselines and follow-up values of one quantity in one window,
// for the episodes that have both.
type Pairs struct {
	Quantity         registry.Quantity
	Window           int
	Episode, Patient []int32
	Baseline, Follow []float64
	Change           []float64 // follow − baseline, see ChangeOf
	Day              []int32   // of the follow-up, after treatment
	NoBaseline       int       // a follow-up value without a baseline
	NoFollow         int       // no value in the window
	StandIns         int       // pairs with a stand-in for vision below the chart
	LeftOut          int       // pairs with a finding below the chart for which there is no stand-in
	OtherInstrument  int       // pairs measured by two instruments
	Instruments      []string  // that measured the follow-up values, in bytewise order
}

// Pairs returns the paired values of the quantity in window w.
func (o *Outcomes) Pairs(q registry.Quantity, w int) Pairs {
	p := Pairs{Quantity: q, Window: w}
	instrument := o.instrument(q)
	var seen []bool
	if instrument != nil {
		seen = make([]bool, len(instrument.List))
	}
	for e := range o.Episodes {
		follow := o.At(e, w, q)
		if !follow.Measured() {
			p.NoFollow++
			continue
		}
		base := o.Baseline(e, q)
		if !base.Measured() {
			p.NoBaseline++
			continue
		}
		if !base.IsValid() || !follow.IsValid() {
			p.LeftOut++
			continue
		}
		p.Episode = append(p.Episode, int32(e))
		p.Patient = append(p.Patient, o.Episodes[e].Patient)
		p.Baseline = append(p.Baseline, base.Number)
		p.Follow = append(p.Follow, follow.Number)
		p.Change = append(p.Change, ChangeOf(q, base.Number, follow.Number))
		p.Day = append(p.Day, int32(follow.Day))
		if base.OffChart != 0 || follow.OffChart != 0 {
			p.StandIns++
		}
		if instrument != nil {
			before, after := instrument.Code[base.Visit], instrument.Code[follow.Visit]
			seen[after] = true
			if before != 0 && after != 0 && before != after {
				p.OtherInstrument++
			}
		}
	}
	for code := range seen {
		if seen[code] && code != 0 {
			p.Instruments = append(p.Instruments, instrument.List[code])
		}
	}
	return p
}

// instrument returns the column that names what the quantity was measured
// with, nil where the registry keeps none.
func (o *Outcomes) instrument(q registry.Quantity) *Words {
	v := &o.Snapshot.Visits
	switch q {
	case registry.Quantity(registry.ECD), registry.Quantity(registry.CellCV), registry.Quantity(registry.Hexagonality):
		return &v.Camera
	case registry.Quantity(registry.K1), registry.Quantity(registry.K2), registry.Quantity(registry.SteepAxis),
		registry.Quantity(registry.Kmax), registry.Quantity(registry.KmaxPosterior), registry.Quantity(registry.Thinnest),
		registry.Quantity(registry.ApexThickness), registry.Quantity(registry.Densitometry), registry.KMean, registry.CornealAstigmatism:
		return &v.Tomographer
	case registry.Quantity(registry.Haze):
		return &v.HazeScale
	case registry.Quantity(registry.UDVA), registry.Quantity(registry.CDVA), registry.Quantity(registry.CLVA):
		return &v.AcuityChart
	}
	return nil
}

// Lines returns the lines gained by each pair of an acuity, negative for
// lines lost: see registry.AnalysisSettings.LinesGained.
func (o *Outcomes) Lines(p Pairs) []int {
	lines := make([]int, len(p.Change))
	for i, change := range p.Change {
		lines[i] = o.Definitions.Analysis.LinesGained(measure.Steps(math.Round(change * 1000)))
	}
	return lines
}

// Completeness returns how many episodes were due at window w and how many of
// these have a finding of the quantity there.
func (o *Outcomes) Completeness(q registry.Quantity, w int) (due, with int) {
	for e := range o.Episodes {
		if o.Due(e, w) {
			due++
			if o.At(e, w, q).Measured() {
				with++
			}
		}
	}
	return due, with
}

// Attendance returns how many episodes were due at window w and how many of
// these had a visit there, whatever was measured.
func (o *Outcomes) Attendance(w int) (due, seen int) {
	for e := range o.Episodes {
		if o.Due(e, w) {
			due++
			if from, to := o.WindowVisits(e, w); to > from {
				seen++
			}
		}
	}
	return due, seen
}

// LongRow is one value of a quantity in the form that a model of repeated
// measures reads: one row an episode and window.
type LongRow struct {
	Episode, Patient int32
	Window           int // −1 for the baseline
	Value            float64
}

// Long returns the baseline and every window's value of the quantity, by
// episode and window.
func (o *Outcomes) Long(q registry.Quantity) []LongRow {
	var rows []LongRow
	for e := range o.Episodes {
		patient := o.Episodes[e].Patient
		if x := o.Baseline(e, q); x.IsValid() {
			rows = append(rows, LongRow{int32(e), patient, -1, x.Number})
		}
		for w := range o.Windows() {
			if x := o.At(e, w, q); x.IsValid() {
				rows = append(rows, LongRow{int32(e), patient, w, x.Number})
			}
		}
	}
	return slices.Clip(rows)
}
