package democlinic

import (
	"math"

	"keratally/registry"
)

// eye is a treated eye with its course.
type eye struct {
	patient  *patient
	right    bool
	treated  registry.Date
	protocol *protocol
	surgeon  *surgeon
	base     findings
	response float64 // how much more than average it answers, in SD
	fails    bool    // goes on steepening
	steps    [4]int  // µm: before, after removal, after soak, minimum
	visits   []visit
	events   []event
	dropped  registry.Date // last day in follow-up, when known to have left
	why      string
}

// findings are the true state of an eye on a day, before rounding.
type findings struct {
	kmax, k1, k2, steepAxis float64
	udva, cdva              float64
	sphere, cylinder, axis  float64
	thinnest, apex          float64
	iop, haze, density      float64
	ecd, cv, hexagonality   float64
	posterior               float64
}

type visit struct {
	on     registry.Date
	months float64 // 0 before treatment
	found  findings
	topo   bool // tomography done
	refr   bool // refraction done
	endo   bool // endothelial count done
	line   []lineFinding
}

type lineFinding struct {
	zone  string
	seen  string
	depth int
	thick int
}

type event struct {
	kind, grade, action, outcome string
	onset, resolved              registry.Date
}

func (c *Clinic) normal(mean, sd float64) float64 { return mean + sd*c.rng.NormFloat64() }

func clamp(x, lo, hi float64) float64 { return math.Min(math.Max(x, lo), hi) }

// before draws an eye on the day of the decision. z is its severity. Means
// and spreads: Soeters 2015 (Kmax 57 ± 6, CDVA 0.3 ± 0.3), Kymionis series
// (thickness), Bourne 1997 and the Turkish normal series (endothelium).
func (c *Clinic) before(z float64) findings {
	var f findings
	f.kmax = clamp(c.normal(55.5+5.2*z, 1.5), 45, 84)
	f.k2 = f.kmax - clamp(c.normal(5.4+0.9*z, 1.3), 0.8, 18)
	f.k1 = f.k2 - clamp(c.normal(3.3, 1.5), 0.3, 9)
	f.k2, f.k1 = math.Max(f.k2, 40.5), math.Max(f.k1, 39.5)
	f.steepAxis = clamp(c.normal(90, 35), 1, 180)
	f.posterior = clamp(c.normal(7.6+0.5*z, 0.4), 5.6, 14)
	f.thinnest = clamp(c.normal(467-24*z, 18), 345, 560)
	f.apex = f.thinnest + math.Abs(c.normal(8, 5))
	f.cdva = clamp(0.24+0.13*z+0.12*math.Abs(c.rng.NormFloat64())-0.08, -0.1, 1.2)
	f.udva = f.cdva + clamp(c.normal(0.38, 0.22), 0, 1.2)
	f.sphere = clamp(c.normal(-1.8-0.9*z, 2.0), -14, 4)
	f.cylinder = -clamp(math.Abs(c.normal(3.0+0.6*z, 1.4)), 0.25, 9)
	f.axis = clamp(c.normal(90, 40), 1, 180)
	f.iop = clamp(c.normal(12.4, 2.3), 6, 21)
	f.density = clamp(c.normal(16.5, 1.9), 11, 24)
	f.ecd = clamp(c.normal(2690, 240), 1900, 3600)
	f.cv = clamp(c.normal(33, 5), 22, 50)
	f.hexagonality = clamp(c.normal(56, 7), 35, 76)
	return f
}

// kmaxCourse is the share of the month 12 change that is there after so many
// months: steeper at first, then flattening for years.
func kmaxCourse(months float64) float64 {
	points := [][2]float64{{0, 0}, {1, -0.45}, {3, 0.1}, {6, 0.65}, {12, 1}, {24, 1.15}, {36, 1.25}}
	return interpolate(points, months)
}

func interpolate(points [][2]float64, x float64) float64 {
	for i := 1; i < len(points); i++ {
		if x <= points[i][0] {
			a, b := points[i-1], points[i]
			return a[1] + (b[1]-a[1])*(x-a[0])/(b[0]-a[0])
		}
	}
	return points[len(points)-1][1]
}

// after is the state of an eye so many months after treatment.
func (c *Clinic) after(e *eye, months float64) findings {
	f := e.base
	change := e.protocol.flattening + 0.95*e.response
	if e.protocol.pattern == "zoned" {
		change -= 0.06 * (e.base.kmax - 55)
	}
	dk := change*kmaxCourse(months) + c.rng.NormFloat64()*0.45
	if kmaxCourse(months) < 0 { // early steepening does not depend on how well an eye will do
		dk = 0.5 + c.rng.NormFloat64()*0.5
	}
	if e.fails && months > 5 {
		dk = 1.35*(months/12) + 0.6 + c.rng.NormFloat64()*0.4
	}
	f.kmax += dk
	f.k2 += 0.55*dk + c.rng.NormFloat64()*0.25
	f.k1 += 0.45*dk + c.rng.NormFloat64()*0.25
	f.k2 = math.Min(f.k2, f.kmax)
	f.k1 = math.Min(f.k1, f.k2)
	f.posterior += c.rng.NormFloat64() * 0.12
	f.thinnest += interpolate([][2]float64{{0, 0}, {1, -21}, {3, -17}, {6, -11}, {12, -6}, {24, -4}, {36, -3}}, months) + c.rng.NormFloat64()*5
	f.apex = f.thinnest + math.Abs(c.normal(8, 4))
	sight := interpolate([][2]float64{{0, 0}, {0.1, 0.35}, {0.3, 0.2}, {1, 0.07}, {3, 0.0}, {6, -0.05}, {12, -0.085}, {24, -0.10}, {36, -0.10}}, months)
	if e.protocol.epithelium == "on" {
		sight *= 0.45
	}
	sight += 0.02*e.response + 0.02*math.Max(dk, 0) + c.rng.NormFloat64()*0.055
	f.cdva = clamp(f.cdva+sight, -0.14, 1.5)
	f.udva = math.Max(clamp(f.udva+1.15*sight+c.rng.NormFloat64()*0.05, -0.1, 1.7), f.cdva)
	f.sphere += -0.3*dk + c.rng.NormFloat64()*0.3
	f.cylinder = math.Min(f.cylinder+0.15*-dk+c.rng.NormFloat64()*0.3, -0.25)
	f.iop = clamp(f.iop+c.normal(0.5, 1.2), 6, 24)
	haze := e.protocol.haze * interpolate([][2]float64{{0, 0}, {0.1, 0.5}, {1, 1}, {3, 0.85}, {6, 0.45}, {12, 0.18}, {24, 0.08}, {36, 0.05}}, months)
	f.haze = clamp(haze+c.rng.NormFloat64()*0.3*math.Sqrt(haze+0.02), 0, 3)
	f.density += 7.5*haze/1.0 + c.rng.NormFloat64()*0.9
	loss := 0.006*months/12 + 0.008
	if e.steps[3] > 0 && e.steps[3] < 380 {
		loss += 0.035
	}
	f.ecd = clamp(e.base.ecd*(1-loss+c.rng.NormFloat64()*0.026), 900, 3700)
	f.cv = clamp(f.cv+c.normal(0.6, 1.5), 18, 60)
	f.hexagonality = clamp(f.hexagonality-c.normal(0.8, 2.5), 25, 80)
	return f
}

// schedule is when an eye should come back, and how often the clinic's do.
var schedule = []struct {
	days, spread int
	months, come float64
}{
	{1, 0, 0.03, 0.98}, {7, 2, 0.25, 0.95}, {30, 7, 1, 0.94}, {91, 14, 3, 0.90}, {183, 24, 6, 0.87},
	{365, 35, 12, 0.83}, {730, 50, 24, 0.72}, {1096, 40, 36, 0.62},
}

// follow gives an eye its treatment day, its visits and what went wrong.
func (c *Clinic) follow(e *eye) {
	removal := 0.0
	if e.protocol.epithelium == "off" {
		removal = c.normal(44, 5)
	}
	bare := e.base.thinnest - removal
	soaked := bare + c.normal(e.protocol.swell, 9)
	e.steps = [4]int{int(e.base.thinnest), int(bare), int(soaked), int(math.Min(bare, soaked) - math.Abs(c.normal(4, 4)))}
	if e.protocol.swell > 0 {
		e.steps[3] = int(soaked - math.Abs(c.normal(12, 8)))
	}
	before := e.treated.Add(-3 - c.rng.IntN(70))
	e.visits = append(e.visits, visit{on: before, found: e.base, topo: true, refr: true, endo: c.chance(0.86)})
	c.mishaps(e)
	for i, s := range schedule {
		on := e.treated.Add(s.days + int(math.Round(c.rng.NormFloat64()*float64(s.spread)/2)))
		if on > c.Last {
			break
		}
		if e.dropped.IsValid() && on > e.dropped {
			break
		}
		if i >= 3 && c.chance(0.012*(1+e.patient.leaves)) {
			e.dropped = on.Add(-10)
			e.why = [...]string{"moved", "declined", "discharged", "lost"}[c.rng.IntN(4)]
			break
		}
		if !c.chance(clamp(s.come-0.04*(e.patient.leaves-1), 0.3, 0.99)) {
			continue
		}
		if w := on.Time().Weekday(); w == 0 {
			on = on.Add(1)
		}
		v := visit{on: on, months: s.months, found: c.after(e, s.months), topo: i >= 2, refr: i >= 3 && c.chance(0.9)}
		v.endo = (s.months == 6 && c.chance(0.3)) || (s.months >= 12 && c.chance(0.82))
		if s.months == 1 || (s.months == 3 && c.chance(0.25)) {
			v.line = c.demarcation(e, v.found.thinnest)
		}
		if e.events != nil && s.months >= 6 && c.costsSight(e) {
			v.found.cdva += 0.22
			v.found.udva = math.Max(v.found.udva, v.found.cdva)
		}
		e.visits = append(e.visits, v)
	}
}

func (c *Clinic) costsSight(e *eye) bool {
	for _, ev := range e.events {
		if ev.kind == "microbial-keratitis" || ev.outcome == "scar" {
			return true
		}
	}
	return false
}

// mishaps draws what goes wrong early, at rates near the published ones
// (sterile infiltrate 0.7 to 7.6 %, delayed healing 2.8 %, keratitis 0.2 %).
func (c *Clinic) mishaps(e *eye) {
	add := func(kind, grade, action, outcome string, from, spread, lasts int) {
		on := e.treated.Add(from + c.rng.IntN(spread))
		if on > c.Last {
			return
		}
		ev := event{kind: kind, grade: grade, action: action, outcome: outcome, onset: on}
		if end := on.Add(lasts + c.rng.IntN(10)); end <= c.Last {
			ev.resolved = end
		}
		e.events = append(e.events, ev)
	}
	if e.protocol.epithelium == "off" {
		if c.chance(0.030) {
			add("delayed-healing", "mild", "lens kept, drops continued", "resolved", 8, 4, 4)
		}
		if c.chance(0.018) {
			outcome := "resolved"
			if c.chance(0.3) {
				outcome = "scar"
			}
			add("sterile-infiltrate", "moderate", "topical steroid", outcome, 2, 4, 14)
		}
		if c.chance(0.004) {
			add("microbial-keratitis", "severe", "intensive topical antibiotic", "scar", 3, 3, 30)
		}
	}
	if c.chance(0.008) {
		add("dose-fault", "mild", "irradiation interrupted and resumed", "none", 0, 1, 0)
	}
	if c.chance(0.006) {
		add("recurrent-erosion", "mild", "lubricants", "resolved", 60, 120, 20)
	}
}

// demarcation draws the findings of the line by zone: deepest where fluence
// was highest, not seen in many eyes.
func (c *Clinic) demarcation(e *eye, thinnest float64) []lineFinding {
	zones := []struct {
		name  string
		share float64
	}{{"central", 1}, {"nasal", 0.88}, {"temporal", 0.90}}
	if e.protocol.pattern == "zoned" {
		zones = []struct {
			name  string
			share float64
		}{{"1", 1.08}, {"2", 0.94}, {"3", 0.80}}
	}
	seen := c.chance(e.protocol.visible)
	own := c.rng.NormFloat64() * 34
	var out []lineFinding
	for _, z := range zones {
		f := lineFinding{zone: z.name, seen: "not seen", thick: int(thinnest + math.Abs(c.normal(12, 9)))}
		if seen {
			f.seen = "seen"
			f.depth = int(clamp((e.protocol.depth+own)*z.share+c.rng.NormFloat64()*14, 70, float64(f.thick)-20))
		}
		out = append(out, f)
	}
	return out
}
