// Package reports turns a frozen snapshot and a set of definitions into
// reports: typed models that hold numbers only, laid out as documents. A
// document knows no spreadsheet and no page; the renderers below this folder
// know documents and compute nothing, so that no two outputs can disagree.
package reports

import (
	"math"

	"keratally/registry"
	"keratally/stats"
)

// Document is a report laid out for any reader: sections of a table, figures
// and notes, in reading order.
type Document struct {
	Name       string // short, for file names: "audit", "comparison"
	Title      string
	Subtitle   string // whom and when: "Treatments from 1 Jul 2026 to 30 Sep 2026"
	Provenance Provenance
	Sections   []Section
}

// Section is one sheet of a workbook, one part of a page.
type Section struct {
	Name    string   // a word or two, at most 25 characters, unique in the document
	Title   string   // the heading in full
	Lead    []string // sentences that answer the section's question
	Table   *Table   // at most one
	Figures []Figure
	Notes   []string // under the table: method, denominators, cautions
	Data    bool     // rows behind the figures rather than figures: long, never drawn on a page whole
	Empty   string   // what to say where Table has no row: what will appear here and how to get it there
}

// Table is rows under typed columns. Long tables of case rows are made row by
// row as a renderer asks for them: see Made.
type Table struct {
	Columns []Column
	Rows    []Row
	Made    int             // rows that Make returns, instead of Rows
	Make    func(i int) Row // row i; the cells hold until the next call
	Filter  bool            // offer to filter by heading
}

// Len returns the number of rows.
func (t *Table) Len() int {
	if t.Make != nil {
		return t.Made
	}
	return len(t.Rows)
}

// Row returns row i, whose cells hold until the next call.
func (t *Table) Row(i int) Row {
	if t.Make != nil {
		return t.Make(i)
	}
	return t.Rows[i]
}

// Column is a heading with the way its numbers look.
type Column struct {
	Key    string // stable name for machine readers and for references to case rows
	Head   string // as printed; the unit stands in it
	Format Format
	Help   string // definition, shown as a comment
	Pair   bool   // this column and the next are the limits of an interval: "a to b" on a page
	Wide   bool   // text that may wrap
}

// Row is one line. A Break row starts a group: its first cell is the group's name.
type Row struct {
	Cells []Cell
	Break bool
	Key   string // identity of what the row is about, such as an eye, for links on pages
}

// CellKind says what a cell holds.
type CellKind int

// The kinds of cell. The zero cell is empty: the table has nothing to say there.
const (
	EmptyCell CellKind = iota
	TextCell
	NumberCell
	DayCell
	ReasonCell // a number that does not exist, and why, in words
)

// Cell is one value with its full precision; formatting is the renderer's.
type Cell struct {
	Kind    CellKind
	Text    string
	Num     float64
	Day     registry.Date
	Cases   *Cases // the case rows behind an aggregate
	Formula string // spreadsheet formula over case rows; Num is its expected value
	Format  Format // overrides the column's when not zero
}

// Cases names the rows behind a number: a section that holds case rows and
// the columns of it that were used. First and Last bound the rows, counted
// from 0 within the section's table; Last below First means all of them.
type Cases struct {
	Section     string
	Columns     []string
	First, Last int
}

// Format is how a number looks (analysis contract, section 11). The cell keeps
// the unrounded value.
type Format int

// The formats.
const (
	General  Format = iota // as the column says; for a column, text
	Whole                  // 0
	OneDec                 // 0.0
	TwoDec                 // 0.00: dioptres and logMAR
	ThreeDec               // 0.000
	Share                  // a fraction shown as per cent with one decimal
	PValue                 // 0.000, below that "< 0.001"
	DayForm                // 24 Nov 2026
	Scientific
)

// Text returns a cell with words.
func Text(s string) Cell { return Cell{Kind: TextCell, Text: s} }

// Number returns a cell with a number; a NaN becomes an empty cell, because a
// number that does not exist must come with its reason: see Reason.
func Number(x float64) Cell {
	if math.IsNaN(x) {
		return Cell{}
	}
	return Cell{Kind: NumberCell, Num: x}
}

// Count returns a cell with a whole number.
func Count(n int) Cell { return Cell{Kind: NumberCell, Num: float64(n), Format: Whole} }

// Reason returns a cell that says why a number is not there.
func Reason(err error) Cell { return Cell{Kind: ReasonCell, Text: err.Error()} }

// Day returns a cell with a date, empty when it was not recorded.
func Day(d registry.Date) Cell {
	if !d.IsValid() {
		return Cell{}
	}
	return Cell{Kind: DayCell, Day: d}
}

// From returns the cell with the case rows behind it.
func (c Cell) From(cases *Cases) Cell {
	c.Cases = cases
	return c
}

// As returns the cell in another format than its column's.
func (c Cell) As(f Format) Cell {
	c.Format = f
	return c
}

// FigureKind is a way of drawing.
type FigureKind int

// The figures a report can hold.
const (
	LineFigure       FigureKind = iota + 1 // means over time with intervals
	BarFigure                              // shares by category
	StepFigure                             // Kaplan–Meier, cumulative incidence: steps with bands
	ScatterFigure                          // pairs of values, one point an eye
	ForestFigure                           // estimates with intervals, one a row
	FunnelFigure                           // rates against volume with limits
	DoubleAngle                            // power vectors on J0 and J45
	FlowFigure                             // boxes of eyes left after each criterion
	StackedBarFigure                       // shares that add up to one
)

// Figure is what is drawn, in numbers and words; a renderer draws it.
type Figure struct {
	Key     string // stable, unique in the document: "kmax-over-time"
	Kind    FigureKind
	Title   string // the subject and n
	Desc    string // what a sighted reader sees
	X, Y    Axis
	Series  []Series
	Lines   []RefLine
	Bands   []Band     // visit windows behind a time axis
	AtRisk  []RiskRow  // numbers under a time axis
	Square  bool       // equal scales on both axes
	Boxes   []FlowStep // of a FlowFigure
	Caption string
}

// Axis is one axis. Ticks carry their labels; an axis without ticks is scaled
// by the renderer. Min and Max of 0 leave the range to the data.
type Axis struct {
	Title      string
	Min, Max   float64
	Ticks      []Tick
	Categories []string // of a bar or forest figure
	Percent    bool
}

// Tick is a labelled place on an axis.
type Tick struct {
	At    float64
	Label string
}

// Series is one group or one curve. Lower and Upper are limits of Y, N the
// eyes behind each point; each may be nil. Labels name points, for links.
type Series struct {
	Name         string
	X, Y         []float64
	Lower, Upper []float64
	N            []int
	Labels       []string
	Marked       bool // the reader's own point among peers
	Censored     []float64
}

// RefLine is a threshold or a zero line, named where it stands.
type RefLine struct {
	Name     string
	At       float64
	Vertical bool
	Diagonal bool // y = x + At
}

// Band is a shaded range of the x axis (or of y for a diagonal figure).
type Band struct {
	Name     string
	From, To float64
}

// RiskRow is a line of numbers at risk: one number a tick of the x axis.
type RiskRow struct {
	Name    string
	Numbers []int
}

// FlowStep is a box of a flow figure.
type FlowStep struct {
	Label          string
	Eyes, Patients int
}

// interval returns the two cells of an interval's limits, or one reason.
func interval(i stats.Interval) (lower, upper Cell) { return Number(i.Lower), Number(i.Upper) }
