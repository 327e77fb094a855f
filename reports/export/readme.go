package export

import (
	"fmt"
	"strings"
)

// readme returns README.txt: what is in the export, how it was made safe to
// give away and how to cite what it was made from.
func (e *Export) readme() []byte {
	var b strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	say("Outcomes after corneal cross-linking: research export without identities\n")
	if e.Options.WithText && e.title != "" {
		say("Cohort: %s\n", e.title)
	}
	say("It describes what happened; it recommends no treatment.\n")
	say("Cohort, step by step:")
	for _, step := range e.flow {
		say("  %s", step)
	}
	say("\nTables (%s):", map[string]string{CSV: "a .csv file each", XLSX: "a sheet each of export.xlsx", Parquet: "a .parquet file each"}[e.Options.Format])
	for _, t := range e.Tables {
		say("  %-14s %6d rows. %s.", t.Name, t.Rows(), t.Title)
	}
	say(`
Every column is described in codebook.csv (label, unit, type, values, missing
code, definition) and, for programs, in datapackage.json, with the SHA-256 of
each file. Missing is an empty cell; units stand in the codebook. The definitions behind
the numbers (windows, progression, stand-ins for vision below the chart,
complications) are in definitions.json.

Study days count from the treatment, which is day 0. Dates, names, codes and free
text are not in it%s. The numbers of episodes, eyes, patients, centres,
surgeons, protocols, instruments and observers were made for this export alone.`, map[bool]string{true: ", except the codes, names and words as entered that\nwere asked for: their columns say \"as entered\""}[e.Options.WithText])
	if e.Options.Format == CSV {
		say(`
The .csv files follow RFC 4180 in UTF-8, lines ended by CR LF. Text stands in
quotes exactly as it was, numbers stand bare. A text that begins with = + - or @ is text:
a spreadsheet program that opens the file by double click may take it for a
formula, so import such columns as text, or ask for the export as xlsx.`)
	}
	e.cellsInWords(say)
	say(`
analysis.R and analysis.py read the tables and reproduce figures of the report: mean
change with the paired t test and the mixed model, freedom from progression at
12 and 24 months, a complication by protocol.

Two eyes of one patient are not independent: use the column patient in the model.
A missing value may be a visit missed, not due yet, or not measured.

Made by Keratally %s from the snapshot
%s
It is a condition of its use not to try to find out who the patients are.`, e.Options.Program, e.snapshotID)
	return []byte(b.String())
}

// cellsInWords says how far patients are alike.
func (e *Export) cellsInWords(say func(format string, args ...any)) {
	if e.Groups > 0 {
		say("\nSmall cells: the patients fall into %d groups alike in %s;\nthe smallest has %d, the threshold is %d.", e.Groups, quasiWords, e.Smallest, e.Options.SmallCells)
	}
	for _, s := range e.Suppressed {
		say("Withheld: %d values of %s, because too few patients were alike.", s.Values, s.Column)
	}
	if e.LeftOut > 0 {
		say("Left out: %d episodes, because too few patients were alike even so. The figures are\nthose of the episodes that are here.", e.LeftOut)
	}
	if len(e.Cells) > 0 {
		say("%d groups below the threshold were looked at and released all the same; the reason is in the log.", len(e.Cells))
	}
	say("Rare outcomes, unusual light as given and the pattern of visits are not part of this check.")
}
