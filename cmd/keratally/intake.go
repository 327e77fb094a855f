package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"sort"
	"strings"

	"github.com/google/uuid"
	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"

	"keratally/registry/intake"
)

// intakeCmd takes spreadsheets in, proposes mappings for them, or takes a
// batch out again.
type intakeCmd struct {
	Files   []string `arg:"" optional:"" name:"file" help:"Workbooks (.xlsx) or text files (.csv)." type:"existingfile"`
	Mapping string   `help:"Mapping file that says what the columns are." short:"m" placeholder:"FILE" type:"existingfile"`
	DryRun  bool     `help:"Say what would happen and keep nothing."`
	Propose bool     `help:"Print a mapping guessed from headings and values, for a person to correct."`
	Undo    string   `help:"Take this batch out whole." placeholder:"BATCH"`
	JSON    bool     `help:"Print the result for a machine." name:"json"`
	Person  string   `help:"Who takes the files in; the name of the account when not given." placeholder:"NAME"`
}

// Run does what the flags say.
func (c *intakeCmd) Run(a *app) error {
	if c.Person == "" {
		c.Person = accountName()
	}
	switch {
	case c.Undo != "":
		return c.undo(a)
	case len(c.Files) == 0:
		return errors.New("no file: name the workbooks or text files to take in")
	case c.Propose:
		return c.propose(a)
	case c.Mapping == "":
		return errors.New("no mapping: say --mapping FILE; --propose writes a first one from the headings")
	}
	store, err := a.store()
	if err != nil {
		return err
	}
	refused := false
	for _, path := range c.Files {
		progress, done := bar(a, path)
		result, err := takeFile(a, store, path, c.Mapping, takeOptions{person: c.Person, dryRun: c.DryRun, progress: progress})
		done()
		if err != nil {
			return err
		}
		refused = refused || result.RowsRefused > 0
		if c.JSON {
			if err := printJSON(a, result); err != nil {
				return err
			}
			continue
		}
		sayResult(a, result)
	}
	if refused {
		return &quietError{code: exitFailed}
	}
	return nil
}

func (c *intakeCmd) undo(a *app) error {
	id, err := uuid.Parse(c.Undo)
	if err != nil {
		return fmt.Errorf("batch %q: should be the identity that intake printed, such as 01985f3e-…", c.Undo)
	}
	store, err := a.store()
	if err != nil {
		return err
	}
	undone, err := store.UndoIntake(a.ctx, id, c.Person)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(a, undone)
	}
	a.say("%s: batch %s is taken out", undone.File, undone.Batch)
	a.say("  removed   %s", counts(undone.Removed))
	a.say("  restored  %s", counts(undone.Restored))
	return nil
}

func (c *intakeCmd) propose(a *app) error {
	for _, path := range c.Files {
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		info, err := f.Stat()
		if err == nil {
			var text string
			var book *intake.Workbook
			if book, err = intake.Read(f, info.Size(), filepath.Base(path), intake.FileOptions{}); err == nil {
				if text, err = intake.Propose(book); err == nil {
					_, err = fmt.Fprint(a.stdout, text)
				}
			}
		}
		f.Close()
		if err != nil {
			return err
		}
	}
	return nil
}

// sayResult prints what came of a file for a person.
func sayResult(a *app, r *intake.Result) {
	state := "taken in"
	switch {
	case r.DryRun:
		state = "dry run, nothing is kept"
	case r.Batch == "":
		state = "nothing new: the registry holds these rows as they are"
	}
	a.say("%s: %s", r.File, state)
	a.say("  rows      %d read: %d new, %d changed, %d the same, %d refused", r.RowsRead, r.RowsNew, r.RowsChanged, r.RowsSame, r.RowsRefused)
	if r.RowsPassed > 0 {
		a.say("  passed    %d rows that the mapping does not ask for", r.RowsPassed)
	}
	if len(r.New) > 0 {
		a.say("  new       %s", counts(r.New))
	}
	if len(r.Changed) > 0 {
		a.say("  changed   %s", counts(r.Changed))
	}
	if len(r.NewProtocols) > 0 {
		a.say("  protocols named for the first time: %s", strings.Join(r.NewProtocols, ", "))
	}
	if len(r.NewClinicians) > 0 {
		a.say("  clinicians named for the first time: %s", strings.Join(r.NewClinicians, ", "))
	}
	if r.Queries > 0 {
		a.say("  queries   %d unusual values to confirm", r.Queries)
	}
	for _, n := range r.Notices {
		a.say("  note      %s", n)
	}
	const shown = 5
	for i, x := range r.Refusals {
		if i == shown {
			a.say("  …         and %d more", len(r.Refusals)-shown)
			break
		}
		a.say("  refused   %s", x)
	}
	if r.RefusalBook != "" {
		a.say("  refused rows, as they were and why: %s", r.RefusalBook)
	}
	if r.Batch != "" {
		a.say("  batch     %s; keratally intake --undo %s takes it out", r.Batch, r.Batch)
	}
}

func counts(by map[string]int) string {
	if len(by) == 0 {
		return "nothing"
	}
	names := make([]string, 0, len(by))
	for name := range by {
		names = append(names, name)
	}
	sort.Strings(names)
	for i, name := range names {
		names[i] = fmt.Sprintf("%d × %s", by[name], strings.ReplaceAll(name, "_", " "))
	}
	return strings.Join(names, ", ")
}

func printJSON(a *app, v any) error {
	e := json.NewEncoder(a.stdout)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// bar returns a function that shows how much of a file was read, on a
// terminal only, and one that ends it.
func bar(a *app, path string) (progress func(read, size int64), done func()) {
	if !a.onTerminal() {
		return nil, func() {}
	}
	p := mpb.New(mpb.WithOutput(a.stderr), mpb.WithWidth(60))
	b := p.AddBar(0, mpb.PrependDecorators(decor.Name(filepath.Base(path)+" ")), mpb.AppendDecorators(decor.Percentage()), mpb.BarRemoveOnComplete())
	return func(read, size int64) {
			b.SetTotal(size, false)
			b.SetCurrent(min(read, size))
		}, func() {
			b.SetTotal(-1, true)
			p.Wait()
		}
}

// accountName is who runs the program, for the record of a batch.
func accountName() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return "unknown"
}
