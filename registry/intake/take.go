package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"strings"

	"keratally/registry"
)

// Session is a transaction of the registry into which one file is taken. Two
// sessions of one registry wait for each other.
type Session interface {
	// Begin enters the batch and returns the codes of the patients that the
	// registry knows and its protocols and clinicians.
	Begin(ctx context.Context, batch registry.Intake, centreCode, centreName string) (centre registry.ID, patients []string, of registry.Holdings, err error)
	// Holdings returns all that the registry holds of the patients.
	Holdings(ctx context.Context, patients []string) (registry.Holdings, error)
	// Write stores a portion. It has read the portion when it returns, but may
	// still be storing it; an error may come with a later call.
	Write(ctx context.Context, d *registry.Delivery) error
	// Commit ends the session and keeps what was written.
	Commit(ctx context.Context, batch registry.Intake) error
	// Rollback ends the session without a trace; after Commit it does nothing.
	Rollback(ctx context.Context) error
}

// Options of an intake.
type Options struct {
	Today    registry.Date
	Person   string
	SHA256   string // of the file
	DryRun   bool   // say what would happen, keep nothing
	Progress func(read, size int64)
}

// Result is what came of an intake.
type Result struct {
	Batch         string         `json:"batch,omitempty"` // "" when nothing was kept
	File          string         `json:"file"`
	DryRun        bool           `json:"dry_run,omitempty"`
	RowsRead      int            `json:"rows_read"`
	RowsNew       int            `json:"rows_new"`
	RowsChanged   int            `json:"rows_changed"`
	RowsSame      int            `json:"rows_same"`
	RowsRefused   int            `json:"rows_refused"`
	RowsPassed    int            `json:"rows_passed_over,omitempty"` // by [sheet.only]
	New           map[string]int `json:"records_new,omitempty"`
	Changed       map[string]int `json:"records_changed,omitempty"`
	Queries       int            `json:"queries"`
	NewProtocols  []string       `json:"new_protocols,omitempty"`
	NewClinicians []string       `json:"new_clinicians,omitempty"`
	Sheets        []string       `json:"sheets"`
	Notices       []string       `json:"notices,omitempty"`
	Refusals      []Refusal      `json:"refusals,omitempty"`
	RefusalBook   string         `json:"refused_rows,omitempty"` // file with the rows that were refused

	refused []*refusedRows
}

// refusedRows holds the rows of a sheet that were refused, as they were.
type refusedRows struct {
	lay  *layout
	rows []heldRow
}

type heldRow struct {
	number   int
	cells    []Cell
	refusals []Refusal
}

const (
	portion   = 16384 // visits written at a time
	lookAhead = 2048  // rows read before the registry is asked about their patients
)

// Take takes a workbook into the registry through a mapping, as one
// transaction. Rows that cannot be are refused and listed; the others are
// kept. A file or mapping that does not fit at all is an error, and nothing is
// kept then. The same file again changes nothing and makes no batch.
func Take(ctx context.Context, session Session, book *Workbook, m *Mapping, o Options) (*Result, error) {
	defer session.Rollback(ctx) // after a commit it does nothing; before, its error adds nothing to ours
	layouts, err := bindAll(book, m)
	if err != nil {
		return nil, err
	}
	t := &taker{
		session: session, book: book, layouts: layouts, options: o, ids: registry.NewIDs(),
		early: map[registry.Source][]lateFault{},
	}
	batch := registry.Intake{
		ID: t.ids.Next(), FileName: book.Name, FileSHA256: o.SHA256, MappingName: m.Name, MappingText: m.Text, Person: o.Person,
	}
	if t.centre, t.codes, t.shared, err = session.Begin(ctx, batch, m.Centre, m.centreName); err != nil {
		return nil, err
	}
	for pass := 0; ; pass++ {
		late, err := t.pass(ctx)
		if err != nil {
			return nil, err
		}
		if len(late) == 0 {
			break
		}
		if pass == 10 {
			return nil, errors.New("rows contradict each other in a circle: correct the refused rows and take the file in again")
		}
		for src, faults := range late {
			t.early[src] = append(t.early[src], faults...)
		}
	}
	return t.finish(ctx, batch)
}

// bindAll binds every sheet mapping to the sheets that its name fits.
func bindAll(book *Workbook, m *Mapping) ([]*layout, error) {
	var layouts []*layout
	var problems []string
	names := make([]string, len(book.Sheets))
	for i := range book.Sheets {
		names[i] = book.Sheets[i].Name
	}
	for _, s := range m.Sheets {
		found := false
		for i := range book.Sheets {
			sheet := &book.Sheets[i]
			if s.Name == "" && i > 0 || s.Name != "" && !fits(s.Name, sheet.Name) {
				continue
			}
			found = true
			l, err := bind(sheet, i, s)
			var unreadable *FileError
			if errors.As(err, &unreadable) {
				return nil, unreadable
			}
			if err != nil {
				problems = append(problems, err.Error())
				continue
			}
			layouts = append(layouts, l)
		}
		if !found && !s.Optional {
			problems = append(problems, fmt.Sprintf("there is no sheet %q: the sheets are %s; say optional = true if it may be missing", s.Name, quotedList(names)))
		}
	}
	if len(problems) == 0 && len(layouts) == 0 {
		problems = append(problems, fmt.Sprintf("no sheet fits the mapping: the sheets are %s", quotedList(names)))
	}
	if len(problems) > 0 {
		return nil, &FileError{File: book.Name, Reason: strings.ReplaceAll(strings.Join(problems, "\n"), "\n", "\n"+book.Name+": ")}
	}
	return layouts, nil
}

func fits(pattern, name string) bool {
	ok, err := path.Match(fold(pattern), fold(name))
	return err == nil && ok
}

type taker struct {
	session Session
	book    *Workbook
	layouts []*layout
	options Options
	ids     *registry.IDs
	centre  registry.ID
	codes   []string // of patients that the registry knows
	shared  registry.Holdings
	early   map[registry.Source][]lateFault // rows known to be refused from an earlier pass

	l        *ledger
	in       *interner
	unloaded map[string]bool
	result   *Result
	direct   bool // every visit is complete in one row, so it can be written at once
}

// lateFault is what was found only when all rows of a visit were together.
type lateFault struct{ field, reason string }

// pass reads every sheet from the start.
func (t *taker) pass(ctx context.Context) (late map[registry.Source][]lateFault, err error) {
	t.l, t.in = newLedger(t.options.Today, t.ids), newInterner()
	t.l.centre = t.centre
	t.unloaded = make(map[string]bool, len(t.codes))
	for _, code := range t.codes {
		t.unloaded[code] = true
	}
	fresh := cloneHoldings(t.shared)
	t.l.load(&fresh)
	t.result = &Result{File: t.book.Name, DryRun: t.options.DryRun, Notices: append([]string(nil), t.book.Notices...)}
	t.direct = t.isDirect()
	if err := t.readSheets(ctx); err != nil {
		return nil, err
	}
	if !t.direct {
		if late = t.lateFaults(); len(late) > 0 {
			return late, nil
		}
	}
	return nil, t.deliver(ctx)
}

func cloneHoldings(h registry.Holdings) registry.Holdings {
	var c registry.Holdings
	copies := map[*registry.Part]*registry.Part{}
	for _, p := range h.Parts {
		q := *p
		q.Values = append([]registry.Value(nil), p.Values...)
		q.Parent = copies[p.Parent]
		copies[p] = &q
		c.Parts = append(c.Parts, &q)
	}
	return c
}

// isDirect reports whether every visit of the file comes from one row, so
// that portions can be written while the rest is being read.
func (t *taker) isDirect() bool {
	sheets := 0
	for _, l := range t.layouts {
		for _, s := range l.slots {
			if s.kind == registry.VisitRecord {
				sheets++
				if l.mapping.shape == "measurement" {
					return false
				}
				break
			}
		}
	}
	return sheets <= 1
}

func (t *taker) deliver(ctx context.Context) error {
	d := t.l.delivery()
	t.result.Queries += len(d.Queries)
	if d.IsEmpty() {
		return nil
	}
	if err := t.session.Write(ctx, d); err != nil {
		return err
	}
	t.l.delivered(d)
	return nil
}

func (t *taker) readSheets(ctx context.Context) error {
	for _, l := range t.layouts {
		name := l.sheet.Name
		if l.sheet.Hidden {
			t.result.Notices = append(t.result.Notices, fmt.Sprintf("sheet %s is hidden and was read because the mapping names it", name))
		}
		t.result.Sheets = append(t.result.Sheets, name)
		err := t.readSheet(ctx, l)
		var unreadable *FileError
		if errors.As(err, &unreadable) {
			return unreadable
		}
		if err != nil {
			return fmt.Errorf("%s: sheet %s: %w", t.book.Name, name, err)
		}
	}
	return nil
}

func (t *taker) readSheet(ctx context.Context, l *layout) error {
	rows, err := l.sheet.Open()
	if err != nil {
		return err
	}
	defer rows.Close()
	held := &refusedRows{lay: l}
	t.result.refused = append(t.result.refused, held)
	m := &merger{l: t.l, lay: l, in: t.in, complete: t.direct}
	ahead := &lookingAhead{rows: rows, skip: l.mapping.skipRows + l.mapping.headerRows}
	read := 0
	for {
		row, err := ahead.next(func(some []*Row) error { return t.loadPatients(ctx, l, some) }, len(t.unloaded) > 0)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		t.takeRow(m, held, row)
		if read++; read%1024 == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
			if t.options.Progress != nil {
				t.options.Progress(t.book.read(), t.book.size)
			}
		}
		if t.direct && len(t.l.newVisits)+len(t.l.dirtyVisits) >= portion {
			if err := t.deliver(ctx); err != nil {
				return err
			}
		}
	}
}

// lateFaults checks what must be together in a visit once all rows are read.
func (t *taker) lateFaults() map[registry.Source][]lateFault {
	late := map[registry.Source][]lateFault{}
	for _, list := range [][]*registry.VisitPart{t.l.newVisits, t.l.dirtyVisits} {
		for _, v := range list {
			x, err := refractionFault(v)
			if err == nil {
				continue
			}
			src, ok := t.l.origin[originKey{v, x}]
			for _, other := range []registry.Measure{registry.Cylinder, registry.RefractionAxis, registry.Sphere} {
				if !ok { // the registry holds it already: what this file gives does not fit
					src, ok = t.l.origin[originKey{v, other}]
					x = other
				}
			}
			if ok {
				late[src] = append(late[src], lateFault{"visit." + x.String(), err.Error()})
			}
		}
	}
	return late
}

// finish commits, or says what would have been kept.
func (t *taker) finish(ctx context.Context, batch registry.Intake) (*Result, error) {
	r := t.result
	counts := t.l.intake
	r.New, r.Changed = map[string]int{}, map[string]int{}
	kept := false
	for k := range registry.Kinds {
		name := registry.Kind(k).Info().Key
		if n := counts.RecordsNew[k]; n > 0 {
			r.New[name], kept = n, true
		}
		if n := counts.RecordsChanged[k]; n > 0 {
			r.Changed[name], kept = n, true
		}
	}
	r.NewProtocols, r.NewClinicians = counts.NewProtocols, counts.NewClinicians
	if t.options.DryRun || !kept {
		return r, t.session.Rollback(ctx)
	}
	batch.CentreID = t.centre
	batch.RowsRead, batch.RowsNew, batch.RowsChanged, batch.RowsSame, batch.RowsRefused = r.RowsRead, r.RowsNew, r.RowsChanged, r.RowsSame, r.RowsRefused
	if err := t.session.Commit(ctx, batch); err != nil {
		return nil, err
	}
	r.Batch = batch.ID.String()
	return r, nil
}

// loadPatients asks the registry about the patients of some rows that it
// knows and that were not asked about yet.
func (t *taker) loadPatients(ctx context.Context, l *layout, rows []*Row) error {
	if l.patient == nil {
		return nil
	}
	var codes []string
	for _, row := range rows {
		if l.patient.at >= len(row.Cells) {
			continue
		}
		text, ok, err := l.patient.text(row.Cells[l.patient.at])
		if err == nil && ok && t.unloaded[string(text)] {
			codes = append(codes, string(text))
			delete(t.unloaded, string(text))
		}
	}
	if len(codes) == 0 {
		return nil
	}
	h, err := t.session.Holdings(ctx, codes)
	if err != nil {
		return err
	}
	t.l.load(&h)
	return nil
}
