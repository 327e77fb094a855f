package web

import (
	"fmt"
	"html/template"
	"net/http"
	"sort"
	"strings"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/reports"
	"keratally/reports/page"
)

// eyePage is a patient's two eyes, OD at the left as the examiner faces the
// patient, with the visits of the one that was asked for.
type eyePage struct {
	Patient string
	Asked   string // OD or OS
	Sides   []sideView
	About   []string
	Visits  template.HTML
	NoVisit bool
	CutOff  registry.Date
	Rule    string
	Window  string // in which the change of Kmax is given
}

type sideView struct {
	Side, Word string
	Asked      bool
	Shut       bool // not among the visitor's eyes
	Known      bool
	Href       string
	Diagnosis  string
	Row        *eyeRow
	Treatments []string
	Events     []string
	Queries    []string
	End        string
	Lanes      template.HTML
}

// eye shows an eye.
func (s *Server) eye(w http.ResponseWriter, r *http.Request, v *visitor) error {
	h, err := s.current(r.Context())
	if err != nil {
		return err
	}
	side, err := measure.ParseSide(r.PathValue("side"))
	if err != nil {
		return registry.ErrNotFound
	}
	code := r.PathValue("patient")
	var found []int32
	for _, c := range h.Snapshot.Centres {
		if e, ok := h.Snapshot.FindEye(c.Code, code, side); ok && (r.URL.Query().Get("centre") == "" || r.URL.Query().Get("centre") == c.Code) {
			found = append(found, e)
		}
	}
	switch len(found) {
	case 0:
		return registry.ErrNotFound
	case 1:
	default:
		return &formError{fmt.Sprintf("%d centres have a patient %s: add ?centre= and the code of the centre to the address.", len(found), code)}
	}
	eye := found[0]
	if !h.opens(v, eye) {
		return errForbidden
	}
	p := eyePage{Patient: code, Asked: side.String(), CutOff: h.Snapshot.CutOff, Rule: h.all.Definitions.Progression[0].String(), Window: h.primaryLabel(), About: h.aboutPatient(h.Snapshot.Eyes.Patient[eye])}
	centre := h.Snapshot.CentreOf(eye).Code
	for _, one := range []measure.Side{measure.Right, measure.Left} {
		sv := sideView{Side: one.String(), Word: map[measure.Side]string{measure.Right: "right eye", measure.Left: "left eye"}[one], Asked: one == side}
		if e, ok := h.Snapshot.FindEye(centre, code, one); ok {
			if sv.Known, sv.Shut = true, !h.opens(v, e); !sv.Shut {
				h.fillSide(&sv, e)
			}
		}
		p.Sides = append(p.Sides, sv)
	}
	if p.Visits, err = h.visitTable(eye); err != nil {
		return err
	}
	p.NoVisit = p.Visits == ""
	return s.draw(w, r, v, http.StatusOK, "eye.html", code+" "+side.String(), p)
}

// rowOf returns the row of a treated eye, nil for an untreated one. Rows are
// in the order of eyes.
func (h *held) rowOf(eye int32) *eyeRow {
	i := sort.Search(len(h.Eyes), func(i int) bool { return h.Eyes[i].eye >= eye })
	if i < len(h.Eyes) && h.Eyes[i].eye == eye {
		return &h.Eyes[i]
	}
	return nil
}

// opens reports whether the visitor may read an eye; an untreated one goes
// with its fellow.
func (h *held) opens(v *visitor, eye int32) bool {
	if row := h.rowOf(eye); row != nil {
		return v.mayRead(row.clinician)
	}
	snap := h.Snapshot
	patient := snap.Eyes.Patient[eye]
	for _, other := range []int32{eye - 1, eye + 1} {
		if other >= 0 && int(other) < snap.NumEyes() && snap.Eyes.Patient[other] == patient {
			if row := h.rowOf(other); row != nil {
				return v.mayRead(row.clinician)
			}
		}
	}
	return v.Role != Surgeon
}

func (h *held) aboutPatient(p int32) []string {
	x := &h.Snapshot.Patients
	var out []string
	if sex := x.Sex.At(p); sex != "" {
		out = append(out, sex)
	}
	if x.BirthYear[p] > 0 {
		out = append(out, fmt.Sprintf("born %d", x.BirthYear[p]))
	}
	if consent := x.Consent.At(p); consent != "" {
		out = append(out, "consent "+consent)
	}
	return out
}

func (h *held) fillSide(sv *sideView, eye int32) {
	snap, o := h.Snapshot, h.all
	sv.Href = eyeAddress(h.keyOf(eye))
	sv.Diagnosis = snap.Eyes.Diagnosis.At(eye)
	sv.Row = h.rowOf(eye)
	var episodes []int32
	first := sort.Search(len(o.Episodes), func(i int) bool { return o.Episodes[i].Eye >= eye })
	for e := first; e < len(o.Episodes) && o.Episodes[e].Eye == eye; e++ {
		episodes = append(episodes, int32(e))
		sv.Treatments = append(sv.Treatments, h.treatmentWords(e))
	}
	c := &snap.Complications
	for i := c.First[eye]; i < c.First[eye+1]; i++ {
		sv.Events = append(sv.Events, h.eventWords(i))
	}
	for i, of := range snap.Queries.Eye {
		if of == eye {
			sv.Queries = append(sv.Queries, strings.TrimSpace(fmt.Sprintf("%s %s: %s", snap.Queries.On[i].Long(), fieldWords(snap.Queries.Field.At(int32(i))), snap.Queries.Message[i])))
		}
	}
	for i := snap.Surgeries.First[eye]; i < snap.Surgeries.First[eye+1]; i++ {
		sv.Events = append(sv.Events, snap.Surgeries.On[i].Long()+": "+snap.Surgeries.Kind.At(i)+" (surgery)")
	}
	for i := snap.Ends.First[eye]; i < snap.Ends.First[eye+1]; i++ {
		sv.End = snap.Ends.On[i].Long() + ", " + snap.Ends.Reason.At(i)
	}
	sv.Lanes = h.lanes(eye, episodes)
}

func (h *held) treatmentWords(e int) string {
	ep := &h.all.Episodes[e]
	t := &h.Snapshot.Treatments
	parts := []string{ep.Day0.Long()}
	if p := h.all.ProtocolOf(e); p != nil {
		parts = append(parts, "protocol "+p.Code)
	}
	if f := t.FluenceE2[ep.Treatment]; f.IsValid() {
		parts = append(parts, reports.TwoDec.Print(f.Float(measure.FluenceUnit))+" J/cm²")
	}
	if c := h.all.ClinicianOf(e); c != nil {
		if c.Name != "" {
			parts = append(parts, c.Name)
		} else {
			parts = append(parts, c.Code)
		}
	}
	return strings.Join(parts, ", ")
}

func (h *held) eventWords(i int32) string {
	c := &h.Snapshot.Complications
	kind := c.Kind.At(i)
	if k, ok := h.all.Definitions.Complications.Find(kind); ok {
		kind = k.Label
	}
	words := c.Onset[i].Long() + ": " + kind
	if g := c.Grade.At(i); g != "" {
		words += ", " + g
	}
	if c.ResolvedOn[i].IsValid() {
		words += ", resolved " + c.ResolvedOn[i].Long()
	}
	return words
}

var visitColumns = []registry.Quantity{registry.UDVA.Quantity(), registry.CDVA.Quantity(), registry.Sphere.Quantity(), registry.Cylinder.Quantity(), registry.K1.Quantity(), registry.K2.Quantity(),
	registry.Kmax.Quantity(), registry.Thinnest.Quantity(), registry.ECD.Quantity(), registry.Haze.Quantity(), registry.IOP.Quantity()}

// visitTable lists the visits of an eye, the earliest first.
func (h *held) visitTable(eye int32) (template.HTML, error) {
	snap := h.Snapshot
	first, next := snap.Visits.First[eye], snap.Visits.First[eye+1]
	if first == next {
		return "", nil
	}
	t := &reports.Table{Columns: []reports.Column{{Head: "visit"}, {Head: "days after treatment", Format: reports.Whole}}}
	for _, q := range visitColumns {
		t.Columns = append(t.Columns, reports.Column{Head: headOf(q), Help: q.Info().Long, Format: formOf(q)})
	}
	t.Columns = append(t.Columns, reports.Column{Head: "demarcation (µm)"})
	for v := first; v < next; v++ {
		on := snap.Visits.On[v]
		row := reports.Row{Cells: []reports.Cell{reports.Day(on), h.daysAfter(eye, on)}}
		for _, q := range visitColumns {
			row.Cells = append(row.Cells, cellOf(h.all.ValueAt(v, q)))
		}
		row.Cells = append(row.Cells, reports.Text(h.lineWords(v)))
		t.Rows = append(t.Rows, row)
	}
	return page.Table(t, "Visits", page.Options{MaxRows: len(t.Rows)})
}

func cellOf(v snapshot.Value) reports.Cell {
	if v.OffChart != 0 {
		return reports.Text(v.OffChart.String())
	}
	return reports.Number(v.Number)
}

func headOf(q registry.Quantity) string {
	info := q.Info()
	if u := info.Unit.Symbol(); u != "" && u != "grade" {
		return info.Label + " (" + u + ")"
	}
	return info.Label
}

func formOf(q registry.Quantity) reports.Format {
	switch q.Info().Unit.Shown() {
	case 0:
		return reports.Whole
	case 1:
		return reports.OneDec
	}
	return reports.TwoDec
}

// daysAfter counts from the last treatment on or before the day, else from
// the first one after it.
func (h *held) daysAfter(eye int32, on registry.Date) reports.Cell {
	row := h.rowOf(eye)
	if row == nil {
		return reports.Cell{}
	}
	from := row.treated[0]
	for _, d := range row.treated {
		if d <= on {
			from = d
		}
	}
	return reports.Count(on.Sub(from))
}

func (h *held) lineWords(visit int32) string {
	d := &h.Snapshot.Demarcations
	from, to := h.Snapshot.DemarcationsOf(visit)
	var parts []string
	for i := from; i < to; i++ {
		what := d.Seen.At(int32(i))
		if d.DepthUm[i].IsValid() {
			what = d.DepthUm[i].Text(measure.MicrometreUnit)
		}
		parts = append(parts, d.Zone.At(int32(i))+" "+strings.ReplaceAll(what, "-", " "))
	}
	return strings.Join(parts, "; ")
}
