package proof

import (
	"bytes"
	"math"
	"math/rand/v2"
	"strconv"
)

// dataSet is one seeded data set: columns of numbers, NaN where missing.
type dataSet struct {
	id     int
	family string
	step   float64 // what values are rounded to: 0.25 D, 0.02 logMAR, or 0
	column map[string][]float64
}

// order lists the families, and how many data sets each has.
var families = []struct {
	name string
	sets int
	make func(r *rand.Rand, s *dataSet, k int)
}{
	{"paired", 48, pairedSet},
	{"groups", 48, groupsSet},
	{"counts", 48, countsSet},
	{"follow", 40, followSet},
	{"eyes", 36, eyesSet},
	{"visits", 12, visitsSet},
}

// seededSets returns every data set; the same on every machine, but for the
// last bit of unrounded values where a machine fuses multiplication and sum.
func seededSets() []*dataSet {
	var all []*dataSet
	for _, f := range families {
		for k := range f.sets {
			s := &dataSet{id: len(all), family: f.name, column: map[string][]float64{}}
			f.make(rand.New(rand.NewPCG(20260711, uint64(s.id))), s, k)
			all = append(all, s)
		}
	}
	return all
}

// steps are the roundings in use: dioptres, logMAR, none.
var steps = []float64{0.25, 0.02, 0}

// round rounds to the step, or not at all for a step of 0.
func round(x, step float64) float64 {
	if step == 0 {
		return x
	}
	return math.Round(x/step) * step
}

// lose replaces a share of the values by NaN.
func lose(r *rand.Rand, x []float64, share float64) {
	for i := range x {
		if r.Float64() < share {
			x[i] = math.NaN()
		}
	}
}

var sampleSizes = []int{12, 3, 25, 60, 5, 2, 150, 8, 40, 1, 16, 90}

// pairedSet is a measurement before and after; a third of the sets have 40 %
// of values missing.
func pairedSet(r *rand.Rand, s *dataSet, k int) {
	s.step = steps[k%3]
	n := sampleSizes[k%len(sampleSizes)]
	x, y := make([]float64, n), make([]float64, n)
	for i := range n {
		level, spread := 48.0, 3.0 // dioptres
		if s.step == 0.02 {
			level, spread = 0.6, 0.25 // logMAR, kept above 0
		}
		at := level + spread*r.NormFloat64()*0.8
		x[i] = math.Abs(round(at+0.4*spread*r.NormFloat64(), s.step)) + 2*s.step
		y[i] = math.Abs(round(at-0.15*spread*float64(k%4)+0.4*spread*r.NormFloat64(), s.step)) + 2*s.step
	}
	if k%3 == 1 && n > 5 {
		lose(r, x, 0.4)
	}
	s.column["x"], s.column["y"], s.column["alt"] = x, y, []float64{float64(k / 3 % 3)}
}

// groupsSet is one measurement in two to four groups, with p values and
// studies to pool besides.
func groupsSet(r *rand.Rand, s *dataSet, k int) {
	s.step = steps[k%3]
	names, each := 2+k%3, sampleSizes[(k/3)%len(sampleSizes)]
	var values, group []float64
	for g := range names {
		for range max(1, each+r.IntN(4)-1) {
			values = append(values, round(47+0.4*float64(g*(k%4))+(1+0.3*float64(g))*1.5*r.NormFloat64(), s.step))
			group = append(group, float64(g))
		}
	}
	if k%4 == 3 && each > 8 {
		lose(r, values, 0.35)
	}
	p := make([]float64, 3+k%7)
	for i := range p {
		p[i] = math.Pow(r.Float64(), 2)
	}
	studies := 3 + k%6
	effects, variances := make([]float64, studies), make([]float64, studies)
	for i := range studies {
		variances[i] = 0.02 + 0.1*r.Float64()
		effects[i] = -1 + 0.5*r.NormFloat64() + math.Sqrt(variances[i])*r.NormFloat64()
	}
	s.column["values"], s.column["group"], s.column["alt"] = values, group, []float64{float64(k / 4 % 3)}
	s.column["p"], s.column["effects"], s.column["variances"] = p, effects, variances
}

// countsSet is events among observations in two groups, in strata, in a table
// and in pairs, and events over time.
func countsSet(r *rand.Rand, s *dataSet, k int) {
	binomial := func(n int, p float64) (x int) {
		for range n {
			if r.Float64() < p {
				x++
			}
		}
		return x
	}
	n1, n2 := 3+sampleSizes[k%len(sampleSizes)], 4+sampleSizes[(k+5)%len(sampleSizes)]
	p := []float64{0.02, 0.3, 0.6, 0.95}[k%4]
	one := func(name string, x float64) { s.column[name] = []float64{x} }
	one("a", float64(binomial(n1, p)))
	one("n1", float64(n1))
	one("b", float64(binomial(n2, 0.7*p+0.1)))
	one("n2", float64(n2))
	one("alt", float64(k/4%3))
	one("t1", 1+math.Round(1000*r.Float64()*float64(n1))/1000)
	one("t2", 1+math.Round(1000*r.Float64()*float64(n2))/1000)
	one("target", 0.05+0.9*r.Float64())
	for range 3 + k%2 {
		for range 3 {
			s.column["table"] = append(s.column["table"], float64(1+r.IntN(4+k%9)))
		}
	}
	for _, most := range []int{40, 12, 9, 50} {
		s.column["pairs"] = append(s.column["pairs"], float64(1+r.IntN(most)))
	}
	for range 2 + k%3 {
		for range 4 {
			s.column["strata"] = append(s.column["strata"], float64(1+r.IntN(25)))
		}
	}
}

// followSet is time to one of two causes in months, tied, with two eyes of a
// patient that share a frailty, in groups and strata.
func followSet(r *rand.Rand, s *dataSet, k int) {
	patients := []int{12, 30, 60, 8, 100}[k%5]
	add := func(name string, x float64) { s.column[name] = append(s.column[name], x) }
	for p := range patients {
		frailty, group, stratum := r.ExpFloat64()+0.3, r.IntN(2+k%2), r.IntN(2)
		for eye := range 2 {
			if eye == 1 && r.Float64() < 0.3 {
				continue
			}
			event := 20 * r.ExpFloat64() / frailty / (1 + 0.5*float64(group))
			censored := 6 + 40*r.Float64()
			time, cause := min(event, censored), 0
			if event <= censored {
				cause = 1
				if r.Float64() < 0.3 {
					cause = 2
				}
			}
			if k%4 != 3 {
				time = math.Ceil(time) // months
			}
			add("time", time)
			add("cause", float64(cause))
			add("event", float64(min(cause, 1)))
			add("group", float64(group))
			add("stratum", float64(stratum))
			add("patient", float64(p))
			add("x", round(47+3*r.NormFloat64(), 0.25))
		}
	}
}

// eyesSet is an outcome of one or two eyes a patient with its baseline under
// two protocols, given to the patient or to the eye; a quarter of the sets
// have 40 % of outcomes missing.
func eyesSet(r *rand.Rand, s *dataSet, k int) {
	s.step = steps[k%3]
	patients := []int{20, 45, 8, 80}[k%4]
	add := func(name string, x float64) { s.column[name] = append(s.column[name], x) }
	for p := range patients {
		shared, arm := r.NormFloat64(), p%2
		for eye := range 2 {
			if eye == 1 && r.Float64() < 0.25 {
				continue
			}
			if k%2 == 1 {
				arm = r.IntN(2)
			}
			base := round(50+3*r.NormFloat64(), 0.25)
			y := round(0.3*float64(arm)-0.15*(base-50)+shared+0.9*r.NormFloat64(), s.step)
			add("patient", float64(p))
			add("arm", float64(arm))
			add("base", base)
			poor := 0.0
			if y+0.4*r.NormFloat64() > 0.3 {
				poor = 1
			}
			add("poor", poor)
			add("y", y)
		}
	}
	if k%4 == 3 {
		lose(r, s.column["y"], 0.4)
	}
}

// visitsSet is one eye a patient at four visits, a quarter of them missed.
func visitsSet(r *rand.Rand, s *dataSet, k int) {
	s.step = steps[k%3]
	add := func(name string, x float64) { s.column[name] = append(s.column[name], x) }
	for p := range 40 + 20*(k%3) {
		level, slope, arm := 2*r.NormFloat64(), 0.5*r.NormFloat64(), p%2
		for v := range 4 {
			y := round(50+level+(slope-0.3)*float64(v)+0.5*float64(arm)+r.NormFloat64(), s.step)
			if v > 0 && r.Float64() < 0.25 {
				y = math.NaN()
			}
			add("patient", float64(p))
			add("visit", float64(v))
			add("arm", float64(arm))
			add("y", y)
		}
	}
}

// encode writes the sets as the JSON that reference.R reads.
func encode(sets []*dataSet) []byte {
	var b bytes.Buffer
	b.WriteByte('[')
	for i, s := range sets {
		if i > 0 {
			b.WriteString(",\n")
		}
		b.WriteString(`{"id":` + strconv.Itoa(s.id) + `,"family":"` + s.family + `","step":` + number(s.step))
		for name, values := range s.column {
			b.WriteString(`,"` + name + `":[`)
			for j, v := range values {
				if j > 0 {
					b.WriteByte(',')
				}
				b.WriteString(number(v))
			}
			b.WriteByte(']')
		}
		b.WriteByte('}')
	}
	b.WriteString("]\n")
	return b.Bytes()
}

func number(x float64) string {
	if math.IsNaN(x) {
		return "null"
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}
