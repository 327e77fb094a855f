// Package export writes a cohort without identities for research: one row an
// episode, one row a measurement, one a finding of the demarcation line, one a
// complication, with a codebook, a descriptor, the definitions used and scripts
// that read it. Study days stand instead of dates, numbers made for this export
// instead of codes. The same snapshot, cohort, definitions, options and
// numbering key give the same bytes.
package export

import (
	"fmt"
	"slices"

	"keratally/registry"
	"keratally/registry/cohort"
	"keratally/registry/snapshot"
)

// The formats of the tables.
const (
	CSV     = "csv"
	XLSX    = "xlsx"
	Parquet = "parquet"
)

// The ways in which an age is given.
const (
	Bands = "bands" // under 18, then steps of five years, 40 and over
	Years = "years" // year of treatment less year of birth
)

// Options are the choices of an export. They are kept in the log, so that the
// same bytes can be made again.
type Options struct {
	Format     string `json:"format"`
	Ages       string `json:"ages"`
	WithText   bool   `json:"with_text,omitempty"` // codes, names and words as entered go out too
	SmallCells int    `json:"small_cells"`         // fewest patients alike; 0 takes that of the definitions
	Suppress   bool   `json:"suppress,omitempty"`  // blank age, sex, diagnosis where fewer are alike, and leave out who is still alone
	Accept     bool   `json:"accept,omitempty"`    // release small cells that are left
	Program    string `json:"program"`             // version that made the export
	Key        []byte `json:"numbering_key"`       // of the numbers; whoever has it and the registry can go back
}

// check returns what is wrong with the options.
func (o *Options) check() error {
	if o.Format != CSV && o.Format != XLSX && o.Format != Parquet {
		return fmt.Errorf("format %q: should be csv, xlsx or parquet", o.Format)
	}
	if o.Ages != Bands && o.Ages != Years {
		return fmt.Errorf("ages %q: should be bands or years", o.Ages)
	}
	if o.SmallCells < 0 {
		return fmt.Errorf("small cells %d: should be 1 or more patients", o.SmallCells)
	}
	if len(o.Key) < 16 {
		return fmt.Errorf("numbering key of %d bytes: should have 16 or more", len(o.Key))
	}
	return nil
}

// Export is a cohort ready to be released.
type Export struct {
	Options    Options
	Tables     []*Table    // episodes, measurements, demarcation, complications
	Cells      []SmallCell // groups of patients alike that are below the threshold, the smallest first
	Smallest   int         // patients of the smallest group; 0 without any
	Groups     int         // of patients alike
	Suppressed []Suppression
	LeftOut    int // episodes that blanking did not help

	snapshotID  string
	definitions registry.Definitions
	flow        []string // the cohort's way, without dates and codes
	title       string
	example     example // what the scripts show
}

// New builds the tables and looks for small cells. Small cells are no error
// here: see Releasable.
func New(o *snapshot.Outcomes, who cohort.Cohort, flow cohort.Flow, opts Options) (*Export, error) {
	if opts.SmallCells == 0 {
		opts.SmallCells = o.Definitions.Analysis.SmallCellThreshold
	}
	if err := opts.check(); err != nil {
		return nil, fmt.Errorf("research export: %w", err)
	}
	e, alone, err := build(o, opts)
	if err == nil && len(alone) > 0 {
		// Whoever is still alone is left out. Rows alike stay alike through every
		// step of suppress, so those that are kept come out as before.
		kept := make([]int32, 0, len(o.Episodes))
		for i := range o.Episodes {
			if !alone[i] {
				kept = append(kept, int32(i))
			}
		}
		e, _, err = build(o.Only(kept), opts)
	}
	if err != nil {
		return nil, fmt.Errorf("research export: %w", err)
	}
	e.LeftOut = len(alone)
	e.snapshotID, e.definitions, e.flow, e.title = o.Snapshot.ID, o.Definitions, quietFlow(who, flow), who.Title
	return e, nil
}

// build makes the tables of a set of episodes, and returns those that blanking
// did not help, by index.
func build(o *snapshot.Outcomes, opts Options) (e *Export, alone map[int]bool, err error) {
	b := newBuilder(o, opts)
	kinds, err := o.Complications()
	if err != nil {
		return nil, nil, err
	}
	episodes, err := b.episodes(kinds)
	if err != nil {
		return nil, nil, err
	}
	e = &Export{Options: opts, Tables: []*Table{episodes, b.measurements(), b.demarcation(), b.complications(kinds)}, example: b.example(kinds)}
	if opts.Suppress {
		var rows []int
		e.Suppressed, rows = suppress(episodes, opts.SmallCells)
		alone = make(map[int]bool, len(rows))
		for _, row := range rows {
			alone[b.order[row]] = true
		}
	}
	e.Cells, e.Smallest, e.Groups = smallCells(episodes, opts.SmallCells)
	return e, alone, nil
}

// SmallCellsError says that patients could be recognised by what they share
// with too few others.
type SmallCellsError struct {
	Cells     []SmallCell
	Threshold int
}

// Error lists the smallest groups and what would be right.
func (e *SmallCellsError) Error() string {
	text := fmt.Sprintf("%d groups of patients alike in %s have fewer than %d patients, the smallest:", len(e.Cells), quasiWords, e.Threshold)
	for i, c := range e.Cells {
		if i == listed {
			break
		}
		text += "\n  " + c.String()
	}
	return text + "\ngive ages in bands, leave out what makes them rare with --suppress, take a wider cohort, or release them with --accept-small-cells and the reason"
}

// listed is how many small cells are shown.
const listed = 20

// Releasable returns a *SmallCellsError where groups of patients alike are
// smaller than the threshold and this was not accepted.
func (e *Export) Releasable() error {
	if len(e.Cells) > 0 && !e.Options.Accept {
		return &SmallCellsError{Cells: e.Cells, Threshold: e.Options.SmallCells}
	}
	return nil
}

// quietFlow is the cohort's way with what could tell dates or codes left out.
func quietFlow(who cohort.Cohort, flow cohort.Flow) []string {
	words := make([]string, len(flow))
	first := len(flow) - len(who.Keep)
	for i, step := range flow {
		text := step.Words
		if i == 0 {
			text = "treated up to the cut-off"
		}
		if i >= first {
			if k := who.Keep[i-first]; k.Treated != nil {
				text = "treated in the period of the cohort"
			} else if len(k.Centre) > 0 {
				text = "centre among those of the cohort"
			} else if len(k.Clinician) > 0 {
				text = "surgeon among those of the cohort"
			} else if len(k.Protocol) > 0 {
				text = "protocol among those of the cohort"
			}
		}
		words[i] = fmt.Sprintf("%s: %d episodes of %d eyes of %d patients", text, step.Episodes, step.Eyes, step.Patients)
	}
	return words
}

// Table returns the table of the name, nil if there is none.
func (e *Export) Table(name string) *Table {
	if i := slices.IndexFunc(e.Tables, func(t *Table) bool { return t.Name == name }); i >= 0 {
		return e.Tables[i]
	}
	return nil
}
