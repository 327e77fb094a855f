package pgstore

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"keratally/registry"
)

// ReportRun is a report that somebody asked for in a page.
type ReportRun struct {
	ID        registry.ID
	Kind      string // audit, own
	Title     string
	From, To  registry.Date
	Clinician string
	Person    string
	Asked     time.Time
	Ended     time.Time // zero while it is made
	State     string    // waiting, working, ready, ended
	Stage     string
	Snapshot  string
}

const addReport = `
	INSERT INTO report_run (id, kind, title, period_from, period_to, clinician, person)
	VALUES (@id, @kind, @title, @from::date, @to::date, nullif(@clinician, ''), @person)`

// AddReport enters a report that is to be made.
func (s *Store) AddReport(ctx context.Context, r ReportRun) (registry.ID, error) {
	id := registry.NewID()
	_, err := s.pool.Exec(ctx, addReport, pgx.StrictNamedArgs{"id": id, "kind": r.Kind, "title": r.Title, "from": r.From.String(), "to": r.To.String(), "clinician": r.Clinician, "person": r.Person})
	if err != nil {
		return registry.ID{}, fmt.Errorf("report: %w", inWords(err))
	}
	return id, nil
}

const reportStage = `UPDATE report_run SET state = 'working', stage = @stage WHERE id = @id`

// ReportStage says what of a report is being done.
func (s *Store) ReportStage(ctx context.Context, id registry.ID, stage string) error {
	return s.changeReport(ctx, id, reportStage, pgx.StrictNamedArgs{"id": id, "stage": stage})
}

const reportReady = `
	UPDATE report_run SET state = 'ready', stage = '', ended_at = now(), snapshot_id = @snapshot, page = @page, workbook = @workbook WHERE id = @id`

// ReportReady keeps a report that is made.
func (s *Store) ReportReady(ctx context.Context, id registry.ID, snapshotID string, page, workbook []byte) error {
	return s.changeReport(ctx, id, reportReady, pgx.StrictNamedArgs{"id": id, "snapshot": snapshotID, "page": page, "workbook": workbook})
}

const reportEnded = `UPDATE report_run SET state = 'ended', stage = @why, ended_at = now() WHERE id = @id`

// ReportEnded says why a report could not be made.
func (s *Store) ReportEnded(ctx context.Context, id registry.ID, why string) error {
	return s.changeReport(ctx, id, reportEnded, pgx.StrictNamedArgs{"id": id, "why": why})
}

func (s *Store) changeReport(ctx context.Context, id registry.ID, sql string, args pgx.StrictNamedArgs) error {
	if _, err := s.pool.Exec(ctx, sql, args); err != nil {
		return fmt.Errorf("report %s: %w", id, inWords(err))
	}
	return nil
}

const cutOffReports = `
	UPDATE report_run SET state = 'ended', stage = 'the program stopped while this report was made: ask for it again', ended_at = now()
	WHERE state IN ('waiting', 'working')`

// CutOffReports ends the reports that a program which stopped was making.
func (s *Store) CutOffReports(ctx context.Context) error {
	if _, err := s.pool.Exec(ctx, cutOffReports); err != nil {
		return fmt.Errorf("reports that were cut off: %w", inWords(err))
	}
	return nil
}

const reportColumns = `
	SELECT id, kind, title, period_from, period_to, coalesce(clinician, ''), person, asked_at, ended_at, state, stage, coalesce(snapshot_id, '')
	FROM report_run`

const reportByID = reportColumns + ` WHERE id = @id`

const latestReports = reportColumns + ` WHERE @person = '' OR person = @person ORDER BY asked_at DESC, id DESC LIMIT 100`

func scanReport(row pgx.CollectableRow) (r ReportRun, err error) {
	var from, to pgxDate
	var ended *time.Time
	err = row.Scan(&r.ID, &r.Kind, &r.Title, &from, &to, &r.Clinician, &r.Person, &r.Asked, &ended, &r.State, &r.Stage, &r.Snapshot)
	r.From, r.To = registry.Date(from), registry.Date(to)
	if ended != nil {
		r.Ended = *ended
	}
	return r, err
}

// Report returns a report without its files; registry.ErrNotFound if there is none.
func (s *Store) Report(ctx context.Context, id registry.ID) (ReportRun, error) {
	rows, _ := s.pool.Query(ctx, reportByID, pgx.StrictNamedArgs{"id": id}) // CollectExactlyOneRow returns the error
	r, err := pgx.CollectExactlyOneRow(rows, scanReport)
	if err != nil {
		return r, fmt.Errorf("report %s: %w", id, inWords(err))
	}
	return r, nil
}

// Reports returns the latest hundred reports, the newest first; of one person
// where one is named.
func (s *Store) Reports(ctx context.Context, person string) ([]ReportRun, error) {
	rows, _ := s.pool.Query(ctx, latestReports, pgx.StrictNamedArgs{"person": person}) // CollectRows returns the error
	list, err := pgx.CollectRows(rows, scanReport)
	if err != nil {
		return nil, fmt.Errorf("reports: %w", inWords(err))
	}
	return list, nil
}

const reportPage = `SELECT page FROM report_run WHERE id = @id AND state = 'ready'`

const reportWorkbook = `SELECT workbook FROM report_run WHERE id = @id AND state = 'ready'`

// ReportPage returns what is read of a report that is ready.
func (s *Store) ReportPage(ctx context.Context, id registry.ID) ([]byte, error) {
	return s.reportFile(ctx, id, reportPage)
}

// ReportWorkbook returns the workbook of a report that is ready.
func (s *Store) ReportWorkbook(ctx context.Context, id registry.ID) ([]byte, error) {
	return s.reportFile(ctx, id, reportWorkbook)
}

func (s *Store) reportFile(ctx context.Context, id registry.ID, sql string) (content []byte, err error) {
	if err := s.pool.QueryRow(ctx, sql, pgx.StrictNamedArgs{"id": id}).Scan(&content); err != nil {
		return nil, fmt.Errorf("report %s: %w", id, inWords(err))
	}
	return content, nil
}

const registryMark = `SELECT seq FROM history_head`

// Mark returns a number that is greater after every change of clinical data
// or definitions: what was read at the same mark still holds.
func (s *Store) Mark(ctx context.Context) (mark int64, err error) {
	if err := s.pool.QueryRow(ctx, registryMark).Scan(&mark); err != nil {
		return 0, fmt.Errorf("mark of the registry: %w", inWords(err))
	}
	return mark, nil
}
