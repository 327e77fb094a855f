// Package machine renders a document as JSON, for programs that read reports:
// every table with its keyed columns, every number unrounded, and the numbers
// of every figure. The same document is the same bytes.
package machine

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"

	"keratally/reports"
)

// The shape of a document as it is written. A cell is a number, a text, an ISO
// day, null where the table has nothing to say, or an object with the reason
// why a number does not exist.
type (
	document struct {
		Name        string    `json:"name"`
		Title       string    `json:"title"`
		Subtitle    string    `json:"subtitle"`
		CutOff      string    `json:"cut_off"`
		Snapshot    string    `json:"snapshot"`
		Cohort      string    `json:"cohort"`
		Definitions []string  `json:"definitions"`
		Program     string    `json:"program"`
		Seed        string    `json:"seed,omitempty"`
		Sections    []section `json:"sections"`
	}
	section struct {
		Name    string   `json:"name"`
		Title   string   `json:"title"`
		Lead    []string `json:"lead,omitempty"`
		Columns []column `json:"columns,omitempty"`
		Rows    [][]any  `json:"rows,omitempty"`
		Figures []figure `json:"figures,omitempty"`
		Notes   []string `json:"notes,omitempty"`
	}
	column struct {
		Key  string `json:"key"`
		Head string `json:"head"`
		Help string `json:"help,omitempty"`
	}
	reason struct {
		Reason string `json:"no_number_because"`
	}
	figure struct {
		Key    string   `json:"key"`
		Title  string   `json:"title"`
		Desc   string   `json:"description"`
		X      string   `json:"x"`
		Y      string   `json:"y"`
		Series []series `json:"series,omitempty"`
	}
	series struct {
		Name       string   `json:"name"`
		Categories []string `json:"categories,omitempty"`
		X          []number `json:"x,omitempty"`
		Y          []number `json:"y,omitempty"`
		Lower      []number `json:"lower,omitempty"`
		Upper      []number `json:"upper,omitempty"`
		N          []int    `json:"n,omitempty"`
	}
)

// number is a double that JSON can hold: what is not finite becomes null.
type number float64

// MarshalJSON writes the shortest decimal that reads back to the same double.
func (n number) MarshalJSON() ([]byte, error) {
	if x := float64(n); math.IsNaN(x) || math.IsInf(x, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// Write renders the document into w.
func Write(w io.Writer, doc *reports.Document) error {
	p := doc.Provenance
	out := document{Name: doc.Name, Title: doc.Title, Subtitle: doc.Subtitle, CutOff: p.CutOff.String(), Snapshot: p.Snapshot,
		Cohort: p.Cohort, Definitions: p.Definitions, Program: p.Program, Seed: p.Seed}
	for i := range doc.Sections {
		out.Sections = append(out.Sections, sectionOf(&doc.Sections[i]))
	}
	b := bufio.NewWriter(w)
	e := json.NewEncoder(b)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	if err := e.Encode(out); err != nil {
		return fmt.Errorf("report %s as JSON: %w", doc.Name, err)
	}
	return b.Flush()
}

func sectionOf(s *reports.Section) section {
	out := section{Name: s.Name, Title: s.Title, Lead: s.Lead, Notes: s.Notes}
	for i := range s.Figures {
		out.Figures = append(out.Figures, figureOf(&s.Figures[i]))
	}
	if s.Table == nil {
		return out
	}
	for _, c := range s.Table.Columns {
		out.Columns = append(out.Columns, column{c.Key, c.Head, c.Help})
	}
	for i := range s.Table.Len() {
		row := s.Table.Row(i)
		cells := make([]any, len(row.Cells))
		for j, c := range row.Cells {
			cells[j] = cellOf(c)
		}
		out.Rows = append(out.Rows, cells)
	}
	return out
}

func cellOf(c reports.Cell) any {
	switch c.Kind {
	case reports.TextCell:
		return c.Text
	case reports.NumberCell:
		return number(c.Num)
	case reports.DayCell:
		return c.Day.String()
	case reports.ReasonCell:
		return reason{c.Text}
	}
	return nil
}

func figureOf(f *reports.Figure) figure {
	out := figure{Key: f.Key, Title: f.Title, Desc: f.Desc, X: f.X.Title, Y: f.Y.Title}
	for _, s := range f.Series {
		out.Series = append(out.Series, series{Name: s.Name, Categories: append(f.X.Categories[:len(f.X.Categories):len(f.X.Categories)], f.Y.Categories...),
			X: numbers(s.X), Y: numbers(s.Y), Lower: numbers(s.Lower), Upper: numbers(s.Upper), N: s.N})
	}
	return out
}

func numbers(x []float64) []number {
	out := make([]number, len(x))
	for i, v := range x {
		out[i] = number(v)
	}
	return out
}
