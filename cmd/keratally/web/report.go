package web

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"net/http"
	"time"

	"github.com/google/uuid"

	"keratally/registry"
	"keratally/registry/cohort"
	"keratally/registry/pgstore"
	"keratally/registry/snapshot"
	"keratally/reports"
	"keratally/reports/figure"
	"keratally/reports/page"
	"keratally/reports/workbook"
)

type reportsPage struct {
	Runs     []pgstore.ReportRun
	From, To registry.Date
	Own      bool // the visitor reads own results only
	NoCode   bool // and the account names no clinician
	Surgeons []choice
}

// reportList lists the reports that were made and offers a new one.
func (s *Server) reportList(w http.ResponseWriter, r *http.Request, v *visitor) error {
	h, err := s.current(r.Context())
	if err != nil {
		return err
	}
	p := reportsPage{Own: v.Role == Surgeon, NoCode: v.Role == Surgeon && v.Clinician == ""}
	from, _ := quarterOf(h.Snapshot.CutOff)
	p.From, p.To = from, h.Snapshot.CutOff
	person := ""
	if p.Own {
		person = v.Name
	}
	if p.Runs, err = s.Store.Reports(r.Context(), person); err != nil {
		return err
	}
	for _, c := range h.Clinicians {
		p.Surgeons = append(p.Surgeons, choice{Key: c.Code, Words: c.Name})
	}
	return s.draw(w, r, v, http.StatusOK, "reports.html", "Reports", p)
}

// reportAsk enters a report and begins to make it.
func (s *Server) reportAsk(w http.ResponseWriter, r *http.Request, v *visitor) error {
	if err := r.ParseForm(); err != nil {
		return &formError{"The form could not be read: fill it in again."}
	}
	run := pgstore.ReportRun{Kind: "audit", Person: v.Name, Clinician: r.PostForm.Get("surgeon")}
	var err error
	if run.From, err = registry.ParseISODate(r.PostForm.Get("from")); err != nil {
		return &formError{"The first day: " + err.Error()}
	}
	if run.To, err = registry.ParseISODate(r.PostForm.Get("to")); err != nil {
		return &formError{"The last day: " + err.Error()}
	}
	if run.To < run.From || run.To > s.Today() {
		return &formError{fmt.Sprintf("The last day, %s, should be on or after the first, %s, and not later than %s.", run.To.Long(), run.From.Long(), s.Today().Long())}
	}
	if v.Role == Surgeon {
		if v.Clinician == "" {
			return &formError{"Your account names no clinician: an administrator can set which eyes are yours."}
		}
		run.Clinician = v.Clinician
	}
	run.Title = "Audit of all eyes"
	if run.Clinician != "" {
		run.Kind, run.Title = "own", "Results of "+s.surgeonName(r.Context(), run.Clinician)
	}
	id, err := s.Store.AddReport(r.Context(), run)
	if err != nil {
		return err
	}
	run.ID = id
	go s.make(run)
	http.Redirect(w, r, "/reports/"+id.String(), http.StatusSeeOther)
	return nil
}

func (s *Server) surgeonName(ctx context.Context, code string) string {
	if h, err := s.current(ctx); err == nil {
		for _, c := range h.Clinicians {
			if c.Code == code && c.Name != "" {
				return c.Name
			}
		}
	}
	return code
}

// make makes one report after another; a fault ends the report in words.
func (s *Server) make(run pgstore.ReportRun) {
	ctx := s.working
	select {
	case s.reports <- struct{}{}:
		defer func() { <-s.reports }()
	case <-ctx.Done():
		return
	}
	err := s.makeReport(ctx, run)
	if err != nil && ctx.Err() == nil {
		s.Log.Error("report", "id", run.ID, "error", err)
		if note := s.Store.ReportEnded(ctx, run.ID, err.Error()); note != nil {
			s.Log.Error("report", "id", run.ID, "error", note)
		}
	}
}

func (s *Server) makeReport(ctx context.Context, run pgstore.ReportRun) (err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("the report could not be computed: %v", fault)
		}
	}()
	if err := s.Store.ReportStage(ctx, run.ID, "step 1 of 4: reading the registry up to "+run.To.Long()); err != nil {
		return err
	}
	snap, err := s.Store.Snapshot(ctx, pgstore.Scope{CutOff: run.To})
	if err != nil {
		return err
	}
	if err := s.Store.ReportStage(ctx, run.ID, "step 2 of 4: computing"); err != nil {
		return err
	}
	doc, err := s.document(snap, run)
	if err != nil {
		return err
	}
	if err := s.Store.ReportStage(ctx, run.ID, "step 3 of 4: laying out the page"); err != nil {
		return err
	}
	var read, book bytes.Buffer
	if err := page.Write(&read, doc, page.Options{Eye: eyeAddress}); err != nil {
		return err
	}
	if err := s.Store.ReportStage(ctx, run.ID, "step 4 of 4: writing the workbook"); err != nil {
		return err
	}
	if err := workbook.WriteWith(&book, doc, figure.PNG); err != nil {
		return err
	}
	return s.Store.ReportReady(ctx, run.ID, snap.ID, read.Bytes(), book.Bytes())
}

// document computes the report of a snapshot.
func (s *Server) document(snap *snapshot.Snapshot, run pgstore.ReportRun) (*reports.Document, error) {
	all, err := snap.Outcomes(registry.DefaultDefinitions())
	if err != nil {
		return nil, err
	}
	who := cohort.Everyone()
	kept, flow, err := who.Apply(all)
	if err != nil {
		return nil, err
	}
	source := &reports.Source{Outcomes: kept, Flow: flow, Cohort: who.Title, From: run.From, To: run.To, Program: s.Program}
	if run.Kind == "own" {
		report, err := reports.NewOwn(source, run.Clinician)
		if err != nil {
			return nil, err
		}
		return report.Document()
	}
	report, err := reports.NewAudit(source)
	if err != nil {
		return nil, err
	}
	return report.Document()
}

// reportOf returns the report of an address, if the visitor may read it: a
// surgeon reads the own ones.
func (s *Server) reportOf(r *http.Request, v *visitor) (pgstore.ReportRun, error) {
	id, err := uuid.Parse(r.PathValue("id"))
	if err != nil {
		return pgstore.ReportRun{}, registry.ErrNotFound
	}
	run, err := s.Store.Report(r.Context(), id)
	if err == nil && v.Role == Surgeon && run.Person != v.Name {
		return run, errForbidden
	}
	return run, err
}

type reportPage struct {
	Run     pgstore.ReportRun
	Text    template.HTML
	Waiting bool
}

// report shows a report, or how far it is.
func (s *Server) report(w http.ResponseWriter, r *http.Request, v *visitor) error {
	run, err := s.reportOf(r, v)
	if err != nil {
		return err
	}
	p := reportPage{Run: run, Waiting: run.State == "waiting" || run.State == "working"}
	if p.Waiting {
		w.Header().Set("Refresh", "2")
	}
	if run.State == "ready" {
		text, err := s.Store.ReportPage(r.Context(), run.ID)
		if err != nil {
			return err
		}
		p.Text = template.HTML(text) // rendered by reports/page, which escapes
	}
	return s.draw(w, r, v, http.StatusOK, "report.html", run.Title, p)
}

// reportWorkbook sends the workbook.
func (s *Server) reportWorkbook(w http.ResponseWriter, r *http.Request, v *visitor) error {
	run, err := s.reportOf(r, v)
	if err != nil {
		return err
	}
	book, err := s.Store.ReportWorkbook(r.Context(), run.ID)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", run.Kind+"-"+run.To.String()+".xlsx"))
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(book))
	return nil
}
