package registry

import (
	"fmt"
	"math"
	"slices"

	"keratally/registry/measure"
)

// Plausible says what is usual for a number. What lies outside is possible:
// it is asked about once and the answer is kept, it is never refused.
type Plausible struct {
	Usual  Range     // in the unit of the number
	OneOf  []float64 // usual values, where there are few
	Reason string    // what an unusual number may mean
}

// PlausibleVisit holds what is usual of each measure of a visit; a zero Range
// asks nothing. Limits for data entry in corneal practice (common practice).
var PlausibleVisit = [NumMeasures]Plausible{
	UDVA:           {Usual: Range{-0.20, 1.3}},
	CDVA:           {Usual: Range{-0.20, 1.3}},
	CLVA:           {Usual: Range{-0.20, 1.3}},
	Sphere:         {Usual: Range{-20, 8}},
	Cylinder:       {Usual: Range{-8, 8}},
	K1:             {Usual: Range{38, 75}},
	K2:             {Usual: Range{38, 75}},
	Kmax:           {Usual: Range{42, 90}, Reason: "extreme cones exceed 90 D"},
	Thinnest:       {Usual: Range{300, 620}},
	IOP:            {Usual: Range{6, 24}, Reason: "thin corneas read low"},
	Haze:           {Usual: Range{0, 2.5}},
	Densitometry:   {Usual: Range{0, 40}},
	ECD:            {Usual: Range{1500, 4000}},
	CellCV:         {Usual: Range{20, 50}},
	Hexagonality:   {Usual: Range{30, 80}},
	CellsCounted:   {Usual: Range{75, 1000}, Reason: "fewer than 75 cells make a weak estimate"},
	RefractionAxis: {}, SteepAxis: {}, KmaxPosterior: {}, ApexThickness: {},
}

// plausibleParts holds what is usual of the columns of other records, by kind
// and key (common practice).
var plausibleParts = map[Kind]map[string]Plausible{
	TreatmentRecord:   lightPlausible,
	DemarcationRecord: {"depth": {Usual: Range{80, 450}}},
	PachymetryRecord:  {"thickness": {Usual: Range{400, 620}, Reason: "under 400 µm a strategy for thin corneas is expected"}},
}

var lightPlausible = map[string]Plausible{
	"irradiance":      {OneOf: []float64{3, 6, 9, 10, 12, 15, 18, 30, 45}},
	"exposure":        {Usual: Range{120, 1800}},
	"fluence":         {Usual: Range{1.8, 15}},
	"healing_days":    {Usual: Range{0, 7}, Reason: "more than 7 days is delayed healing"},
	"epithelial_zone": {Usual: Range{6, 10}},
}

// Doubt is something unusual: a field, its value as printed and a sentence.
type Doubt struct{ Field, Value, Message string }

var visitStepLimits = func() (limits [NumMeasures]struct{ min, max measure.Steps }) {
	for m, p := range PlausibleVisit {
		limits[m].min, limits[m].max = math.MinInt32+1, math.MaxInt32
		if p.Usual != (Range{}) {
			scale := float64(Measure(m).Info().Unit.Scale())
			limits[m].min, limits[m].max = measure.Steps(math.Round(p.Usual.Min*scale)), measure.Steps(math.Round(p.Usual.Max*scale))
		}
	}
	return limits
}()

// Doubts appends what is unusual in the measures of a visit whose bits are set
// in given, and between them.
func (v *VisitPart) Doubts(given uint32, list []Doubt) []Doubt {
	for m := range v.Values {
		x := v.Values[m]
		if x == measure.None || given&(1<<m) == 0 || x >= visitStepLimits[m].min && x <= visitStepLimits[m].max {
			continue
		}
		info, p := Measure(m).Info(), PlausibleVisit[m]
		list = append(list, Doubt{info.Key, x.Text(info.Unit), unusual(info.Label, x.Text(info.Unit), info.Unit, p)})
	}
	const tenth = 100 // logMAR 0.1
	if u, c := v.Values[UDVA], v.Values[CDVA]; u != measure.None && c != measure.None && c-u > tenth && given&(1<<UDVA|1<<CDVA) != 0 {
		list = append(list, Doubt{"cdva", c.Text(measure.LogMARUnit), fmt.Sprintf("CDVA %s is worse than UDVA %s by more than a line: should be at least as good", c.Text(measure.LogMARUnit), u.Text(measure.LogMARUnit))})
	}
	if v.Values[Haze] != measure.None && given&(1<<Haze) != 0 && (v.Texts == nil || v.Texts.HazeScale == "") {
		list = append(list, Doubt{"haze", v.Values[Haze].Text(measure.GradeUnit), "haze has no scale: a grade means something on a named scale only"})
	}
	return list
}

func unusual(label, value string, u measure.Unit, p Plausible) string {
	usual := ""
	if len(p.OneOf) > 0 {
		for i, x := range p.OneOf {
			if i > 0 {
				usual += ", "
			}
			usual += fmt.Sprintf("%g", x)
		}
	} else {
		usual = fmt.Sprintf("%g to %g", p.Usual.Min, p.Usual.Max)
	}
	s := fmt.Sprintf("%s %s is unusual: usually %s", label, value, usual)
	if symbol := u.Symbol(); symbol != "" && symbol != "grade" {
		s += " " + symbol
	}
	if p.Reason != "" {
		s += "; " + p.Reason
	}
	return s
}

// A change of Kmax by more than five dioptres within a year is asked about:
// a strong effect, or the wrong eye (common practice).
const (
	kmaxJump     measure.Steps = 500
	kmaxJumpDays int           = 365
)

// DoubtsBetween appends what is unusual between two visits of one eye.
func DoubtsBetween(earlier, later *VisitPart, list []Doubt) []Doubt {
	a, b := earlier.Values[Kmax], later.Values[Kmax]
	if a == measure.None || b == measure.None || later.On.Sub(earlier.On) > kmaxJumpDays {
		return list
	}
	if change := b - a; change > kmaxJump || change < -kmaxJump {
		list = append(list, Doubt{"kmax", b.Text(measure.DioptreUnit), fmt.Sprintf("Kmax changes by %s D from %s to %s: is it the same eye?", change.Text(measure.DioptreUnit), earlier.On, later.On)})
	}
	return list
}

// Doubts appends what is unusual in the columns of a record whose bits are set
// in given, and between them. plan is the protocol of the treatment that the
// record is or belongs to, nil where there is none: what a protocol plans is
// not unusual.
func (p *Part) Doubts(given uint32, plan *Part, list []Doubt) []Doubt {
	known := plausibleParts[p.Kind]
	for i, c := range p.Kind.Info().Columns {
		usual, ok := known[c.Key]
		v := p.Values[i]
		if !ok || !v.Given || given&(1<<i) == 0 {
			continue
		}
		x := measure.Steps(v.Num).Float(c.Unit)
		fits := usual.Usual.Contains(x)
		if len(usual.OneOf) > 0 {
			fits = slices.Contains(usual.OneOf, x)
		}
		if !fits && !(p.Kind == PachymetryRecord && p.beforeSwelling(plan)) {
			list = append(list, Doubt{c.Key, measure.Steps(v.Num).Text(c.Unit), unusual(c.Key, measure.Steps(v.Num).Text(c.Unit), c.Unit, usual)})
		}
	}
	switch p.Kind {
	case TreatmentRecord:
		list = p.lightDoubts(given, plan, list)
	case DemarcationRecord:
		depth, thickness := p.Get("depth"), p.Get("thickness")
		if depth.Given && thickness.Given && depth.Num*10 > thickness.Num*9 {
			list = append(list, Doubt{"depth", fmt.Sprint(depth.Num), fmt.Sprintf("demarcation at %d µm is deeper than 90 %% of the %d µm of the cornea there", depth.Num, thickness.Num)})
		}
	}
	return list
}

// lightDoubts compares the fluence as entered with irradiance × exposure ×
// duty ÷ 1000, within 2 per cent (common practice), and asks about an unusual
// age.
func (p *Part) lightDoubts(given uint32, plan *Part, list []Doubt) []Doubt {
	steps := func(key string) measure.Steps {
		if v := p.Get(key); v.Given {
			return measure.Steps(v.Num)
		}
		return measure.None
	}
	light := Light{IrradianceE2: steps("irradiance"), ExposureS: steps("exposure"), PulseOnMs: steps("pulse_on"), PulseOff: steps("pulse_off"), FluenceE2: steps("fluence")}
	if plan != nil && light.PulseOnMs == measure.None && light.PulseOff == measure.None { // given as planned where the sheet says nothing
		if on, off := plan.Get("pulse_on"), plan.Get("pulse_off"); on.Given && off.Given {
			light.PulseOnMs, light.PulseOff = measure.Steps(on.Num), measure.Steps(off.Num)
		}
	}
	computed, ok := light.Fluence()
	column, _ := TreatmentRecord.ColumnOf("fluence")
	if ok && light.FluenceE2 != measure.None && given>>column&1 == 1 {
		if entered := light.FluenceE2.Float(measure.FluenceUnit); math.Abs(entered-computed) > 0.02*computed {
			list = append(list, Doubt{"fluence", light.FluenceE2.Text(measure.FluenceUnit), fmt.Sprintf("fluence %.2f J/cm² is not irradiance × exposure × duty, which is %.2f J/cm²", entered, computed)})
		}
	}
	if p.Parent == nil || p.Parent.Parent == nil {
		return list
	}
	if birth, on := p.Parent.Parent.Get("birth_year"), p.Get("on"); birth.Given && on.Given && given&1 == 1 {
		if age := Date(on.Num).Time().Year() - int(birth.Num); age < 10 || age > 45 {
			list = append(list, Doubt{"on", Date(on.Num).String(), fmt.Sprintf("age %d at treatment is unusual: usually 10 to 45", age)})
		}
	}
	return list
}

// swelling lists the vehicles that thicken a cornea during the soak.
var swelling = []string{"hpmc", "isotonic", "hypo-osmolar"}

// beforeSwelling reports whether a thickness was measured before a vehicle
// that swells the cornea had worked: a thin cornea is then what the plan is for.
func (p *Part) beforeSwelling(plan *Part) bool {
	if plan == nil || !slices.Contains(swelling, plan.Get("vehicle").Text) {
		return false
	}
	step := p.Get("step").Text
	return step == "before" || step == "after-removal"
}
