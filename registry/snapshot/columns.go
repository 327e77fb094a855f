package snapshot

import (
	"fmt"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"unsafe"

	"keratally/registry"
)

// integer is what a column of numbers holds.
type integer interface{ ~uint8 | ~int16 | ~int32 }

// column is one column of a table, whatever it holds: enough to reorder,
// hash, write and read it without knowing more.
type column interface {
	label() string
	length() int
	reorder(order []int32) // row i becomes what row order[i] was
	encode(to []byte) []byte
	decode(from []byte, rows int) ([]byte, error)
	tidy() // into the canonical form of the same content
}

// table is the columns of one table, in their canonical order.
type table struct {
	label   string
	columns []column
}

func (t table) length() int { return t.columns[0].length() }

func (t table) reorder(order []int32) {
	if ascending(order, t.length()) {
		return
	}
	sideBySide(len(t.columns), func(i int) { t.columns[i].reorder(order) })
}

// sideBySide calls do for 0 to n−1, as many at once as there are processors.
func sideBySide(n int, do func(i int)) {
	var next atomic.Int32
	var workers sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		workers.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(i)
			}
		})
	}
	workers.Wait()
}

// ascending reports whether the order keeps all n rows where they are.
func ascending(order []int32, n int) bool {
	if len(order) != n {
		return false
	}
	for i, from := range order {
		if int32(i) != from {
			return false
		}
	}
	return true
}

func (t table) check() error {
	for _, c := range t.columns {
		if c.length() != t.length() {
			return fmt.Errorf("table %s: column %s should have %d rows as the others: found %d", t.label, c.label(), t.length(), c.length())
		}
	}
	return nil
}

// numbers is a column of whole numbers. Its bytes are all lowest bytes, then
// all second bytes and so on, which compresses well.
type numbers[T integer] struct {
	name string
	at   *[]T
}

func (c numbers[T]) label() string { return c.name }
func (c numbers[T]) length() int   { return len(*c.at) }
func (c numbers[T]) tidy()         {}

func (c numbers[T]) reorder(order []int32) { *c.at = gather(*c.at, order) }

func gather[T any](xs []T, order []int32) []T {
	out := make([]T, len(order))
	for i, from := range order {
		out[i] = xs[from]
	}
	return out
}

func (c numbers[T]) encode(to []byte) []byte { return appendPlanes(to, *c.at) }

func appendPlanes[T integer](to []byte, xs []T) []byte {
	width, n := int(unsafe.Sizeof(*new(T))), len(xs)
	at := len(to)
	to = slices.Grow(to, width*n)[:at+width*n]
	for plane := range width {
		out := to[at+plane*n:][:n]
		for i, x := range xs {
			out[i] = byte(uint32(x) >> (8 * plane))
		}
	}
	return to
}

func (c numbers[T]) decode(from []byte, rows int) ([]byte, error) {
	xs, rest, err := takePlanes[T](from, rows)
	*c.at = xs
	return rest, err
}

func takePlanes[T integer](from []byte, n int) (xs []T, rest []byte, err error) {
	width := int(unsafe.Sizeof(*new(T)))
	if len(from) < width*n {
		return nil, nil, errShort
	}
	xs = make([]T, n)
	for plane := range width {
		in := from[plane*n:][:n]
		for i := range xs {
			xs[i] |= T(uint32(in[i]) << (8 * plane))
		}
	}
	return xs, from[width*n:], nil
}

// words is a column of Words.
type words struct {
	name string
	at   *Words
}

func (c words) label() string         { return c.name }
func (c words) length() int           { return len(c.at.Code) }
func (c words) reorder(order []int32) { c.at.Code = gather(c.at.Code, order) }

// tidy leaves only the words that are used, in bytewise order, after "".
func (c words) tidy() {
	used := make([]bool, len(c.at.List))
	for _, code := range c.at.Code {
		used[code] = true
	}
	list := []string{""}
	for code, word := range c.at.List {
		if used[code] && word != "" {
			list = append(list, word)
		}
	}
	slices.Sort(list)
	list = slices.Compact(list)
	if slices.Equal(list, c.at.List) {
		return
	}
	code := make([]int32, len(c.at.List))
	for old, word := range c.at.List {
		i, _ := slices.BinarySearch(list, word)
		code[old] = int32(i)
	}
	for i, old := range c.at.Code {
		c.at.Code[i] = code[old]
	}
	c.at.List = list
}

func (c words) encode(to []byte) []byte {
	to = appendTexts(to, c.at.List)
	return appendPlanes(to, c.at.Code)
}

func (c words) decode(from []byte, rows int) ([]byte, error) {
	list, rest, err := takeTexts(from, -1)
	if err != nil {
		return nil, err
	}
	codes, rest, err := takePlanes[int32](rest, rows)
	if err != nil {
		return nil, err
	}
	for _, code := range codes {
		if code < 0 || int(code) >= len(list) {
			return nil, fmt.Errorf("code %d: should be one of %d words", code, len(list))
		}
	}
	*c.at = Words{List: list, Code: codes}
	return rest, nil
}

// texts is a column of free text.
type texts struct {
	name string
	at   *[]string
}

func (c texts) label() string           { return c.name }
func (c texts) length() int             { return len(*c.at) }
func (c texts) tidy()                   {}
func (c texts) reorder(order []int32)   { *c.at = gather(*c.at, order) }
func (c texts) encode(to []byte) []byte { return appendTexts(to, *c.at) }

func (c texts) decode(from []byte, rows int) ([]byte, error) {
	list, rest, err := takeTexts(from, rows)
	*c.at = list
	return rest, err
}

// tables lists every table with every column of the content. What Freeze
// derives is not content. The order is part of the identity of a snapshot.
func (s *Snapshot) tables() []table {
	p, e, t, z, v := &s.Patients, &s.Eyes, &s.Treatments, &s.TreatmentZones, &s.Visits
	d, c, u, f, q := &s.Demarcations, &s.Complications, &s.Surgeries, &s.Ends, &s.Queries
	treatments := []column{
		num("eye", &t.Eye), num("protocol", &t.Protocol), num("clinician", &t.Clinician), num("on", &t.On),
		num("irradiance", &t.IrradianceE2), num("exposure", &t.ExposureS), num("pulse-on", &t.PulseOnMs), num("pulse-off", &t.PulseOffMs),
		num("fluence", &t.FluenceE2), num("interruptions", &t.Interruptions), num("epithelial-zone", &t.EpithelialZoneE2),
		num("healing", &t.HealingDays), words{"adjunct", &t.Adjunct},
	}
	for i := range t.Pachymetry {
		treatments = append(treatments, num("pachymetry-"+registry.PachymetrySteps[i], &t.Pachymetry[i]))
	}
	visits := []column{num("eye", &v.Eye), num("on", &v.On)}
	for m := range v.Values {
		visits = append(visits, num(registry.Measures[m].Key, &v.Values[m]))
	}
	for a := range v.OffChart {
		visits = append(visits, num(registry.Measures[a].Key+"-off-chart", &v.OffChart[a]))
	}
	visits = append(visits, num("lens-free", &v.LensFreeDays), words{"chart", &v.AcuityChart},
		words{"haze-scale", &v.HazeScale}, words{"tomographer", &v.Tomographer}, words{"camera", &v.Camera})
	return []table{
		{"patient", []column{num("centre", &p.Centre), texts{"code", &p.Code}, words{"sex", &p.Sex}, num("birth-year", &p.BirthYear),
			num("atopy", &p.Atopy), num("eye-rubbing", &p.EyeRubbing), num("family-history", &p.FamilyHistory),
			words{"consent", &p.Consent}, num("consent-changed", &p.ConsentChangedOn), num("died", &p.DiedOn)}},
		{"eye", []column{num("patient", &e.Patient), num("side", &e.Side), words{"diagnosis", &e.Diagnosis},
			num("progression-documented", &e.ProgressionDocumented)}},
		{"treatment", treatments},
		{"treatment-zone", []column{num("treatment", &z.Treatment), num("order", &z.Order), words{"shape", &z.Shape},
			num("diameter", &z.DiameterE2), num("minor-diameter", &z.MinorDiameterE2), num("fluence", &z.FluenceE2),
			num("centre-x", &z.CentreXE2), num("centre-y", &z.CentreYE2)}},
		{"visit", visits},
		{"demarcation", []column{num("eye", &d.Eye), num("on", &d.On), words{"zone", &d.Zone}, words{"seen", &d.Seen},
			num("depth", &d.DepthUm), num("thickness", &d.ThicknessUm), words{"surface", &d.Surface},
			words{"method", &d.Method}, words{"observer", &d.Observer}}},
		{"complication", []column{num("eye", &c.Eye), words{"kind", &c.Kind}, num("onset", &c.Onset), words{"grade", &c.Grade},
			words{"action", &c.Action}, num("resolved", &c.ResolvedOn), words{"outcome", &c.Outcome}}},
		{"surgery", []column{num("eye", &u.Eye), words{"kind", &u.Kind}, num("on", &u.On)}},
		{"end", []column{num("eye", &f.Eye), num("on", &f.On), words{"reason", &f.Reason}}},
		{"query", []column{num("eye", &q.Eye), words{"record", &q.Record}, num("on", &q.On), words{"field", &q.Field},
			texts{"value", &q.Value}, texts{"message", &q.Message}}},
	}
}

func num[T integer](name string, at *[]T) column { return numbers[T]{name, at} }
