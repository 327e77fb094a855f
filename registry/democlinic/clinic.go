// Package democlinic is an invented clinic: two sites on a river, four
// surgeons, six ways of cross-linking, and the untidy spreadsheets that three
// years of work leave behind. Everything in it is drawn by lot from a seed; no
// patient, surgeon or clinic of it exists. Means and spreads follow published
// ranges so that the reports read as real ones do; they are no evidence.
package democlinic

import (
	"math"
	"math/rand/v2"
	"sort"
	"strconv"

	"keratally/registry"
)

// Name is what the invented clinic is called.
const Name = "Two Rivers Corneal Clinic"

// The sites. Each keeps its own spreadsheets, in its own habits.
const (
	quayside = "QS"
	upland   = "UP"
)

// surgeon is an invented clinician and where they work.
type surgeon struct {
	code, name, site string
	pull             map[string]float64 // habits: how much more often than colleagues a protocol is chosen
}

var surgeons = []surgeon{
	{"IV", "Dr Ilse Våge", quayside, map[string]float64{"STD": 2.2}},
	{"TO", "Dr Tomás Okereke-Brandt", quayside, map[string]float64{"ZON": 1.8, "PUL": 1.4}},
	{"RM", "Dr Réka Montclair", upland, map[string]float64{"ACC": 1.5}},
	{"YL", "Dr Yusuf Lindqvist", upland, map[string]float64{"EPI": 2.0}},
}

// protocol is one way of cross-linking with what it does, on average, to an
// eye of the invented clinic.
type protocol struct {
	code, name, epithelium, vehicle, riboflavin, pattern string
	irradiance, minutes, fluence                         string
	pulseOn, pulseOff                                    string // seconds
	soak                                                 string
	from                                                 registry.Date // first day offered

	flattening float64 // D of Kmax change at month 12
	failure    float64 // share that goes on steepening
	depth      float64 // demarcation depth at month 1, µm
	visible    float64 // share of eyes with a visible line
	haze       float64 // mean grade at month 1
	swell      float64 // µm gained or lost by the soak
}

// Depths and visibility follow published means by protocol (Ng 2015, Kymionis
// 2014, Brittingham 2014, Moramarco 2015, Mesen 2018); flattening lies in the
// range of the trials (Wittig-Silva 2014, Hersh 2017, Soeters 2015).
func protocols(start registry.Date) []protocol {
	return []protocol{
		{code: "STD", name: "standard 3 mW/cm², 30 min, epithelium off", epithelium: "off", vehicle: "dextran", riboflavin: "0.1", pattern: "uniform",
			irradiance: "3", minutes: "30", fluence: "5.4", soak: "30", from: start, flattening: -1.0, failure: 0.04, depth: 318, visible: 0.80, haze: 1.1, swell: -42},
		{code: "ACC", name: "accelerated 9 mW/cm², 10 min, epithelium off", epithelium: "off", vehicle: "hpmc", riboflavin: "0.1", pattern: "uniform",
			irradiance: "9", minutes: "10", fluence: "5.4", soak: "10", from: start, flattening: -0.8, failure: 0.05, depth: 246, visible: 0.55, haze: 0.8, swell: 45},
		{code: "PUL", name: "pulsed 30 mW/cm², 8 min, epithelium off", epithelium: "off", vehicle: "hpmc", riboflavin: "0.1", pattern: "uniform",
			irradiance: "30", minutes: "8", fluence: "7.2", pulseOn: "1", pulseOff: "1", soak: "10", from: start, flattening: -0.7, failure: 0.06, depth: 210, visible: 0.62, haze: 0.7, swell: 40},
		{code: "SWL", name: "swelling solution for thin corneas, 3 mW/cm², 30 min", epithelium: "off", vehicle: "hypo-osmolar", riboflavin: "0.1", pattern: "uniform",
			irradiance: "3", minutes: "30", fluence: "5.4", soak: "30", from: start, flattening: -0.6, failure: 0.06, depth: 252, visible: 0.66, haze: 1.0, swell: 62},
		{code: "ZON", name: "zoned 7.2 / 10 / 15 J/cm², epithelium off", epithelium: "off", vehicle: "hpmc", riboflavin: "0.1", pattern: "zoned",
			irradiance: "9", minutes: "27.8", fluence: "15", soak: "10", from: start.Add(400), flattening: -1.9, failure: 0.03, depth: 282, visible: 0.74, haze: 1.0, swell: 45},
		{code: "EPI", name: "epithelium on, 45 mW/cm² pulsed, 5 min 20 s", epithelium: "on", vehicle: "transepithelial", riboflavin: "0.25", pattern: "uniform",
			irradiance: "45", minutes: "5.333", fluence: "7.2", pulseOn: "1", pulseOff: "1", soak: "30", from: start.Add(120), flattening: 0.0, failure: 0.14, depth: 172, visible: 0.45, haze: 0.3, swell: 5},
	}
}

// Options are what a person may choose of the invented clinic.
type Options struct {
	Eyes int           // treated eyes, about
	Seed uint64        // of everything drawn by lot
	Last registry.Date // last day of the records
}

// Clinic is the invented clinic with all that happened there.
type Clinic struct {
	Start, Last registry.Date
	protocols   []protocol
	patients    []*patient
	eyes        []*eye
	rng         *rand.Rand
}

type patient struct {
	code            string
	site            string
	female          bool
	birthYear       int
	atopy, rubbing  string
	family, consent string
	severity, reply float64 // shared by both eyes
	leaves          float64 // tendency to miss visits
	eyes            []*eye
}

// The years that the records span.
const spanDays = 3 * 365

// New draws the clinic. The same options give the same clinic.
func New(o Options) *Clinic {
	c := &Clinic{Last: o.Last, Start: o.Last.Add(-spanDays), rng: rand.New(rand.NewPCG(o.Seed, 0x6b657261))}
	c.protocols = protocols(c.Start)
	for len(c.eyes) < o.Eyes {
		c.addPatient(o.Eyes - len(c.eyes))
	}
	sort.SliceStable(c.eyes, func(i, j int) bool { return c.eyes[i].treated < c.eyes[j].treated })
	for _, e := range c.eyes {
		c.follow(e)
	}
	return c
}

func (c *Clinic) addPatient(room int) {
	p := &patient{
		code:     "K" + strconv.Itoa(1000+len(c.patients)*7+c.rng.IntN(6)),
		site:     quayside,
		female:   c.chance(0.36),
		severity: c.rng.NormFloat64(), reply: c.rng.NormFloat64(), leaves: c.rng.ExpFloat64(),
		atopy: c.answer(0.34), rubbing: c.answer(0.48), family: c.answer(0.12), consent: "given",
	}
	if c.chance(0.42) {
		p.site = upland
	}
	age := 13 + 14*c.rng.Float64() + 13*c.rng.Float64() // triangular about 26, as in treated series
	first := c.Start.Add(c.rng.IntN(spanDays - 20))
	p.birthYear = first.Time().Year() - int(age)
	c.patients = append(c.patients, p)

	right := c.chance(0.5)
	c.addEye(p, right, first)
	if room > 1 && c.chance(0.4) { // the fellow eye, some weeks to months later
		if on := first.Add(21 + c.rng.IntN(260)); on < c.Last.Add(-5) {
			c.addEye(p, !right, on)
		}
	}
}

func (c *Clinic) addEye(p *patient, right bool, on registry.Date) {
	if w := on.Time().Weekday(); w == 0 || w == 6 { // nobody is treated at a weekend
		on = on.Add(2)
	}
	e := &eye{patient: p, right: right, treated: on}
	z := math.Sqrt(0.4)*p.severity + math.Sqrt(0.6)*c.rng.NormFloat64()
	e.base = c.before(z)
	e.response = math.Sqrt(0.3)*p.reply + math.Sqrt(0.7)*c.rng.NormFloat64()
	e.surgeon = c.surgeonAt(p.site)
	e.protocol = c.choose(e)
	failure := e.protocol.failure
	if on.Time().Year()-p.birthYear < 18 {
		failure += 0.05
	}
	e.fails = c.chance(failure)
	p.eyes = append(p.eyes, e)
	c.eyes = append(c.eyes, e)
}

func (c *Clinic) surgeonAt(site string) *surgeon {
	for {
		if s := &surgeons[c.rng.IntN(len(surgeons))]; s.site == site {
			return s
		}
	}
}

// choose picks a protocol as surgeons do: thin corneas get the swelling
// solution, so protocols differ in whom they treat.
func (c *Clinic) choose(e *eye) *protocol {
	weights := map[string]float64{"STD": 0.24, "ACC": 0.38, "PUL": 0.12, "SWL": 0.02, "ZON": 0.14, "EPI": 0.10}
	if e.base.thinnest < 440 {
		weights = map[string]float64{"STD": 0.02, "ACC": 0.12, "PUL": 0.02, "SWL": 0.74, "EPI": 0.10}
	} else if e.base.kmax > 56 {
		weights["ZON"] = 0.30
	}
	total := 0.0
	for i := range c.protocols {
		p := &c.protocols[i]
		if e.treated >= p.from {
			total += weights[p.code] * habit(e.surgeon, p)
		}
	}
	at := c.rng.Float64() * total
	for i := range c.protocols {
		p := &c.protocols[i]
		if e.treated >= p.from {
			if at -= weights[p.code] * habit(e.surgeon, p); at < 0 {
				return p
			}
		}
	}
	return &c.protocols[0]
}

func habit(s *surgeon, p *protocol) float64 {
	if pull, ok := s.pull[p.code]; ok {
		return pull
	}
	return 1
}

func (c *Clinic) chance(p float64) bool { return c.rng.Float64() < p }

// answer is what a history sheet says: yes, no, or nothing at all.
func (c *Clinic) answer(yes float64) string {
	switch u := c.rng.Float64(); {
	case u < 0.06:
		return ""
	case u < 0.06+0.94*yes:
		return "yes"
	default:
		return "no"
	}
}
