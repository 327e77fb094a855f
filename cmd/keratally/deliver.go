package main

import (
	"io"
	"path/filepath"
	"strings"

	"keratally/registry/snapshot"
	"keratally/reports"
	"keratally/reports/figure"
	"keratally/reports/machine"
	"keratally/reports/workbook"
)

// audited is a report that lays itself out and says itself in sentences.
type audited interface {
	Document() (*reports.Document, error)
	Sentences() []string
}

// render chooses how a report is written by the name of its file: .json for
// programs, otherwise a workbook.
func render(out string, doc *reports.Document) func(io.Writer) error {
	if strings.EqualFold(filepath.Ext(out), ".json") {
		return func(w io.Writer) error { return machine.Write(w, doc) }
	}
	return func(w io.Writer) error { return workbook.WriteWith(w, doc, figure.PNG) }
}

// deliver writes a report as a workbook (or JSON) and its figures as pictures where a
// folder is named, and says its sentences and where it is.
func (a *app) deliver(report audited, what, out, pictures string, snap *snapshot.Snapshot) error {
	doc, err := report.Document()
	if err != nil {
		return err
	}
	if err := writeFile(out, render(out, doc)); err != nil {
		return err
	}
	if pictures != "" {
		if err := writePictures(pictures, doc); err != nil {
			return err
		}
	}
	for _, line := range report.Sentences() {
		a.say("%s", line)
	}
	a.say("\nThe %s is in %s (snapshot %.12s).", what, out, snap.ID)
	return nil
}

// writePictures writes every figure of a document in every form.
func writePictures(dir string, doc *reports.Document) error {
	forms := map[string]func(io.Writer, *reports.Figure) error{".svg": figure.SVG, ".pdf": figure.PDF, ".png": figure.PNG}
	for i := range doc.Sections {
		for j := range doc.Sections[i].Figures {
			fig := &doc.Sections[i].Figures[j]
			for ext, draw := range forms {
				if err := writeFile(filepath.Join(dir, fig.Key+ext), func(w io.Writer) error { return draw(w, fig) }); err != nil {
					return err
				}
			}
		}
	}
	return nil
}
