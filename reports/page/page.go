// Package page renders a document as HTML to stand inside a page: tables with
// numbers under each other by their decimal point, intervals as "a to b",
// figures as inline SVG, notes and empty states. It computes nothing, and
// writes neither style nor script, so that a strict policy can forbid both.
package page

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"net/url"
	"strings"

	"keratally/reports"
	"keratally/reports/figure"
)

// Options say how a document stands in its page.
type Options struct {
	// Eye returns the address of the page of what a row is about, by the row's
	// key; "" for none. Nil links nothing.
	Eye func(key string) string
	// MaxRows is the most rows that a table shows, the rest being counted in
	// words; 0 shows 200.
	MaxRows int
}

const defaultRows = 200

//go:embed page.html
var source string

var layout = template.Must(template.New("page").Parse(source))

// Write writes the document: a contents list and its sections. Sections of
// case rows are named and counted, because they belong in the workbook.
func Write(w io.Writer, doc *reports.Document, o Options) error {
	v := documentView{Document: doc}
	for i := range doc.Sections {
		s := &doc.Sections[i]
		sv := sectionView{Section: s, ID: Anchor(s.Name)}
		if s.Data && s.Table != nil {
			sv.Kept = s.Table.Len()
			v.Kept = append(v.Kept, sv)
			continue
		}
		if s.Table != nil && s.Table.Len() > 0 {
			sv.View = viewOf(s.Table, s.Title, o)
		}
		for j := range s.Figures {
			svg, err := Figure(&s.Figures[j])
			if err != nil {
				return fmt.Errorf("section %s: %w", s.Name, err)
			}
			sv.Drawn = append(sv.Drawn, drawn{SVG: svg, Caption: s.Figures[j].Caption})
		}
		v.Sections = append(v.Sections, sv)
	}
	return render(w, "document", v)
}

// Table returns one table.
func Table(t *reports.Table, caption string, o Options) (template.HTML, error) {
	var b bytes.Buffer
	err := render(&b, "table", viewOf(t, caption, o))
	return template.HTML(b.String()), err
}

// Figure returns one figure as inline SVG.
func Figure(fig *reports.Figure) (template.HTML, error) {
	svg, err := figure.Inline(fig)
	if err != nil {
		return "", fmt.Errorf("figure %s: %w", fig.Key, err)
	}
	return template.HTML(svg), nil // every text in it is escaped where it is drawn
}

// Anchor returns the name by which a section is linked to in its page.
func Anchor(name string) string {
	return "part-" + url.PathEscape(strings.ReplaceAll(strings.ToLower(name), " ", "-"))
}

func render(w io.Writer, name string, v any) error {
	var b bytes.Buffer
	if err := layout.ExecuteTemplate(&b, name, v); err != nil {
		return err
	}
	_, err := b.WriteTo(w)
	return err
}

type documentView struct {
	*reports.Document
	Sections, Kept []sectionView
}

type sectionView struct {
	*reports.Section
	ID    string
	View  *tableView
	Drawn []drawn
	Kept  int // case rows that are only in the workbook
}

type drawn struct {
	SVG     template.HTML
	Caption string
}
