package web

import (
	"html/template"
	"net/http"
	"strings"

	"keratally/registry"
	"keratally/reports"
	"keratally/reports/page"
)

type worklistPage struct {
	Heading, Lead, Empty string
	Table                template.HTML
	Rows, Shown          int
}

const worklistRows = 500

func (s *Server) drawList(w http.ResponseWriter, r *http.Request, v *visitor, p worklistPage, t *reports.Table) error {
	p.Rows, p.Shown = t.Len(), min(t.Len(), worklistRows)
	t.Rows = t.Rows[:p.Shown]
	if p.Rows > 0 {
		var err error
		if p.Table, err = page.Table(t, p.Heading, page.Options{Eye: eyeAddress, MaxRows: worklistRows}); err != nil {
			return err
		}
	}
	return s.draw(w, r, v, http.StatusOK, "worklist.html", p.Heading, p)
}

// recall lists the eyes to call back, the longest overdue first.
func (s *Server) recall(w http.ResponseWriter, r *http.Request, v *visitor) error {
	h, err := s.current(r.Context())
	if err != nil {
		return err
	}
	t := &reports.Table{Columns: []reports.Column{{Head: "eye"}, {Head: "treated", Format: reports.DayForm}, {Head: "last visit", Format: reports.DayForm}, {Head: "window without a visit"},
		{Head: "was due on", Format: reports.DayForm}, {Head: "days overdue", Format: reports.Whole, Help: "since the last day of the window; 0 while it is open"}, {Head: "windows missed", Format: reports.Whole}}}
	for _, one := range h.all.Recalls() {
		ep := &h.all.Episodes[one.Episode]
		key := h.keyOf(ep.Eye)
		t.Rows = append(t.Rows, reports.Row{Key: key, Cells: []reports.Cell{reports.Text(key), reports.Day(ep.Day0), reports.Day(one.LastVisit), reports.Text(h.all.Windows()[one.Window].Label),
			reports.Day(one.DueOn), reports.Count(one.Overdue), reports.Count(one.Missed)}})
	}
	return s.drawList(w, r, v, worklistPage{Heading: "Recall", Lead: "Eyes still followed whose visit window has begun without a visit, the longest overdue first. Up to " + h.Snapshot.CutOff.Long() + ".",
		Empty: "No eye is due or overdue. Eyes appear here when a visit window has begun and they were not seen in it."}, t)
}

// queries lists the records to complete or confirm.
func (s *Server) queries(w http.ResponseWriter, r *http.Request, v *visitor) error {
	h, err := s.current(r.Context())
	if err != nil {
		return err
	}
	t := &reports.Table{Columns: []reports.Column{{Head: "eye"}, {Head: "day", Format: reports.DayForm}, {Head: "record"}, {Head: "field"}, {Head: "value"}, {Head: "what is the matter", Wide: true}}}
	for _, f := range h.all.Faults() {
		key := h.keyOf(f.Eye)
		t.Rows = append(t.Rows, reports.Row{Key: key, Cells: []reports.Cell{reports.Text(key), reports.Day(f.On), reports.Text(strings.ReplaceAll(f.Record, "_", " ")), reports.Text(fieldWords(f.Field)), reports.Text(f.Value), reports.Text(f.Words)}})
	}
	return s.drawList(w, r, v, worklistPage{Heading: "Queries", Lead: "Records to complete or confirm. Up to " + h.Snapshot.CutOff.Long() + ".",
		Empty: "No record waits for an answer. Values that are possible and unusual, and fields that reports need and nobody filled, appear here."}, t)
}

// fieldWords returns the name of a measure as people say it.
func fieldWords(key string) string {
	if q, ok := registry.ParseQuantity(key); ok {
		return q.Info().Label
	}
	return key
}

func (h *held) keyOf(eye int32) string {
	return h.Snapshot.PatientCode(eye) + " " + h.Snapshot.Eyes.Side[eye].String()
}
