package democlinic

import (
	"bytes"
	"embed"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"
	"golang.org/x/text/encoding/charmap"

	"keratally/registry"
)

//go:embed mappings/*.toml
var mappings embed.FS

// File is a spreadsheet of the clinic and the mapping that reads it.
type File struct {
	Path, Mapping string
	What          string // in words, for the list of files
}

// grid is a sheet as typed: rows of texts, numbers and days.
type grid struct {
	name   string
	merged [][2]string // ranges merged in the heading
	rows   [][]any
}

// day is a date cell of a workbook.
type day registry.Date

// WriteFiles writes the spreadsheets of the clinic and their mappings into
// dir, in the order in which they should be taken in.
func (c *Clinic) WriteFiles(dir string) ([]File, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	files := []File{
		{"quayside-treatments.xlsx", "quayside-treatments.toml", "the treatment book of Quayside, one row a treated eye"},
		{"quayside-visits.xlsx", "quayside-visits.toml", "follow-up at Quayside, one row a visit, Snellen in metres; the demarcation line; events"},
		{"upland-treatments.xlsx", "upland-treatments.toml", "the treatment book of Upland"},
		{"upland-visits.csv", "upland-visits.toml", "follow-up at Upland, both eyes side by side, decimal commas"},
		{"upland-findings.xlsx", "upland-findings.toml", "the demarcation line and events at Upland"},
	}
	writers := []func(string) error{
		func(path string) error { return c.writeTreatments(path, quayside) },
		c.writeQuayside,
		func(path string) error { return c.writeTreatments(path, upland) },
		c.writeUpland,
		func(path string) error {
			return writeXLSX(path, []grid{c.demarcationSheet(upland), c.eventSheet(upland)})
		},
	}
	for i := range files {
		path := filepath.Join(dir, files[i].Path)
		if err := writers[i](path); err != nil {
			return nil, fmt.Errorf("%s: %w", files[i].Path, err)
		}
		text, err := mappings.ReadFile("mappings/" + files[i].Mapping)
		if err != nil {
			return nil, err
		}
		files[i].Path, files[i].Mapping = path, filepath.Join(dir, files[i].Mapping)
		if err := os.WriteFile(files[i].Mapping, text, 0o644); err != nil {
			return nil, err
		}
	}
	return files, nil
}

// writeTreatments is the treatment book of a site, under two rows of merged
// headings, and a sheet of what its protocol codes mean.
func (c *Clinic) writeTreatments(path, site string) error {
	g := grid{name: "Treatments", merged: [][2]string{{"A1", "G1"}, {"H1", "J1"}, {"K1", "P1"}, {"Q1", "T1"}}}
	g.rows = append(g.rows,
		[]any{"patient", nil, nil, nil, nil, nil, nil, "eye", nil, nil, "treatment", nil, nil, nil, nil, nil, "pachymetry (µm)", nil, nil, nil},
		[]any{"Patient no.", "Sex", "Year of birth", "Atopy", "Eye rubbing", "Family", "Consent", "Eye", "Diagnosis", "Progression shown",
			"Date", "Surgeon", "Protocol", "Irradiance mW/cm²", "Minutes", "J/cm²", "before", "epi off", "after soak", "lowest"})
	for _, e := range c.eyes {
		if e.patient.site != site {
			continue
		}
		steps := []any{e.steps[0], e.steps[1], e.steps[2], e.steps[3]}
		if e.protocol.epithelium == "on" {
			steps[1], steps[2], steps[3] = nil, nil, nil
		}
		exposure, _ := strconv.ParseFloat(e.protocol.minutes, 64) // the scenario's own constants
		irradiance, _ := strconv.ParseFloat(e.protocol.irradiance, 64)
		fluence, _ := strconv.ParseFloat(e.protocol.fluence, 64)
		diagnosis := "KC"
		if c.chance(0.05) {
			diagnosis = [...]string{"PMD", "ectasia"}[c.rng.IntN(2)]
		}
		g.rows = append(g.rows, append([]any{e.patient.code, sexWord(e.patient.female), e.patient.birthYear, e.patient.atopy, e.patient.rubbing,
			e.patient.family, e.patient.consent, sideWord(e.right), diagnosis, "y", day(e.treated), e.surgeon.code, e.protocol.code,
			irradiance, exposure, fluence}, steps...))
	}
	c.slip(g.rows, 2, 0.006, func(row []any) { // a slip of the keyboard
		switch c.rng.IntN(3) {
		case 0:
			row[7] = "X"
		case 1:
			row[16] = fmt.Sprint(row[16]) + " ?"
		case 2:
			row[13] = 900.0
		}
	})
	people := grid{name: "Surgeons", rows: [][]any{{"Code", "Name"}}}
	for _, s := range surgeons {
		if s.site == site {
			people.rows = append(people.rows, []any{s.code, s.name})
		}
	}
	return writeXLSX(path, []grid{c.protocolSheet(), people, g})
}

// protocolSheet lists what the codes of the treatment book mean.
func (c *Clinic) protocolSheet() grid {
	g := grid{name: "Protocols", rows: [][]any{{"Code", "Name", "Epithelium", "Vehicle", "Riboflavin %", "Soak min", "mW/cm²", "Minutes", "On s", "Off s", "J/cm²", "Pattern"}}}
	for _, p := range c.protocols {
		row := []any{p.code, p.name, p.epithelium, p.vehicle, p.riboflavin, p.soak, p.irradiance, p.minutes, p.pulseOn, p.pulseOff, p.fluence, p.pattern}
		for i, v := range row {
			if v == "" {
				row[i] = nil
			}
		}
		g.rows = append(g.rows, row)
	}
	return g
}

// writeQuayside: one row a visit, acuity over six metres with letters more or
// less, refraction in minus cylinders, dates as dates.
func (c *Clinic) writeQuayside(path string) error {
	g := grid{name: "Follow-up", rows: [][]any{{"Patient no.", "Eye", "Visit", "UCVA", "BCVA", "Sph", "Cyl", "Axis", "K1", "K2", "Axis K2", "Kmax", "Thinnest µm", "Apex µm",
		"IOP", "Haze 0-4", "Densitometry", "ECD", "CV %", "Hex %", "Cells"}}}
	for _, e := range c.eyes {
		if e.patient.site != quayside {
			continue
		}
		for i := range e.visits {
			v := &e.visits[i]
			f := &v.found
			row := make([]any, 21)
			row[0], row[1], row[2] = e.patient.code, sideWord(e.right), day(v.on)
			row[3] = c.snellen(f.udva)
			if v.months == 0 || v.months >= 1 {
				row[4] = c.snellen(f.cdva)
			}
			if v.refr {
				row[5], row[6], row[7] = quarter(f.sphere), quarter(f.cylinder), math.Round(clamp(f.axis, 1, 180))
			}
			if v.topo {
				row[8], row[9], row[10], row[11] = tenth(f.k1), tenth(f.k2), math.Round(f.steepAxis), tenth(f.kmax)
				row[12], row[13] = math.Round(f.thinnest), math.Round(f.apex)
				row[16] = tenth(f.density)
			}
			if v.months == 0 || v.months >= 1 {
				row[14] = math.Round(f.iop)
			}
			if v.months > 0 {
				row[15] = math.Round(f.haze*2) / 2
			}
			if v.endo {
				row[17], row[18], row[19], row[20] = math.Round(f.ecd), math.Round(f.cv), math.Round(f.hexagonality), 80+c.rng.IntN(90)
			}
			g.rows = append(g.rows, row)
		}
	}
	c.slip(g.rows, 1, 0.005, func(row []any) {
		switch c.rng.IntN(5) {
		case 0:
			row[11] = scaled(row[11], 10) // a decimal point lost
		case 1:
			row[12] = scaled(row[12], 0.001) // millimetres
		case 2:
			row[4] = "6/l2"
		case 3:
			row[5] = "-2,5O"
		case 4:
			row[1] = "RL"
		}
	})
	return writeXLSX(path, []grid{g, c.demarcationSheet(quayside), c.eventSheet(quayside)})
}

// writeUpland: both eyes of a patient side by side, semicolons, decimal
// commas, days first, decimal acuity, an old character set.
func (c *Clinic) writeUpland(path string) error {
	heads := []string{"ccva sc", "ccva cc", "Kmax", "K1", "K2", "min µm", "IOP", "haze", "dens", "ECD"}
	header := []string{"Pat", "Date"}
	for _, side := range []string{"OD", "OS"} {
		for _, h := range heads {
			header = append(header, h+" "+side)
		}
	}
	type key struct {
		code string
		on   registry.Date
	}
	lines := map[key][]string{}
	var order []key
	for _, e := range c.eyes {
		if e.patient.site != upland {
			continue
		}
		for i := range e.visits {
			v := &e.visits[i]
			k := key{e.patient.code, v.on}
			if lines[k] == nil {
				lines[k] = make([]string, len(header))
				lines[k][0], lines[k][1] = e.patient.code, v.on.Time().Format("02.01.2006")
				order = append(order, k)
			}
			at := 2
			if !e.right {
				at += len(heads)
			}
			copy(lines[k][at:], c.uplandCells(v))
		}
	}
	rows := [][]string{header}
	for _, k := range order {
		rows = append(rows, lines[k])
	}
	for _, row := range rows[1:] {
		if c.chance(0.006) {
			switch c.rng.IntN(3) {
			case 0:
				row[1] = "31.02." + row[1][6:]
			case 1:
				row[2] = "O,5"
			case 2:
				row[4] = strings.Replace(row[4], ",", "", 1)
			}
		}
	}
	return writeCSV(path, rows, ';', true)
}

func (c *Clinic) uplandCells(v *visit) []string {
	f := &v.found
	cells := make([]string, 10)
	cells[0] = decimalAcuity(f.udva)
	if v.months == 0 || v.months >= 1 {
		cells[1] = decimalAcuity(f.cdva)
		cells[6] = comma(math.Round(f.iop), 0)
	}
	if v.topo {
		cells[2], cells[3], cells[4] = comma(f.kmax, 1), comma(f.k1, 1), comma(f.k2, 1)
		cells[5], cells[8] = comma(f.thinnest, 0), comma(f.density, 1)
	}
	if v.months > 0 {
		cells[7] = comma(math.Round(f.haze*2)/2, 1)
	}
	if v.endo {
		cells[9] = comma(f.ecd, 0)
	}
	return cells
}

func (c *Clinic) demarcationSheet(site string) grid {
	g := grid{name: "OCT", rows: [][]any{{"Patient no.", "Eye", "OCT date", "Zone", "Line", "Depth µm", "Cornea µm", "Observer"}}}
	for _, e := range c.eyes {
		if e.patient.site != site {
			continue
		}
		for i := range e.visits {
			for _, l := range e.visits[i].line {
				row := []any{e.patient.code, sideWord(e.right), day(e.visits[i].on), l.zone, l.seen, nil, l.thick, e.surgeon.code}
				if l.depth > 0 {
					row[5] = l.depth
				}
				g.rows = append(g.rows, row)
			}
		}
	}
	return g
}

func (c *Clinic) eventSheet(site string) grid {
	g := grid{name: "Events", rows: [][]any{{"Patient no.", "Eye", "Event", "Date", "Grade", "Action", "Resolved", "Outcome", "Left on", "Reason"}}}
	for _, e := range c.eyes {
		if e.patient.site != site {
			continue
		}
		for _, ev := range e.events {
			row := []any{e.patient.code, sideWord(e.right), ev.kind, day(ev.onset), ev.grade, ev.action, nil, ev.outcome, nil, nil}
			if ev.resolved.IsValid() {
				row[6] = day(ev.resolved)
			}
			g.rows = append(g.rows, row)
		}
		if e.dropped.IsValid() && e.why != "lost" {
			g.rows = append(g.rows, []any{e.patient.code, sideWord(e.right), nil, nil, nil, nil, nil, nil, day(e.dropped), e.why})
		}
	}
	return g
}

// slip lets a typing error into a share of the rows after the headings.
func (c *Clinic) slip(rows [][]any, heads int, share float64, err func([]any)) {
	for _, row := range rows[min(heads, len(rows)):] {
		if c.chance(share) {
			err(row)
		}
	}
}

func writeXLSX(path string, sheets []grid) error {
	f := excelize.NewFile()
	defer f.Close()
	dates, err := f.NewStyle(&excelize.Style{NumFmt: 14})
	if err != nil {
		return err
	}
	for i, g := range sheets {
		if i == 0 {
			err = f.SetSheetName("Sheet1", g.name)
		} else {
			_, err = f.NewSheet(g.name)
		}
		if err != nil {
			return err
		}
		w, err := f.NewStreamWriter(g.name)
		if err != nil {
			return err
		}
		for r, row := range g.rows {
			cells := make([]any, len(row))
			for j, v := range row {
				cells[j] = v
				if d, ok := v.(day); ok {
					cells[j] = excelize.Cell{Value: float64(registry.Date(d).Days()) + 25569, StyleID: dates}
				}
			}
			if err := w.SetRow(fmt.Sprintf("A%d", r+1), cells); err != nil {
				return err
			}
		}
		for _, m := range g.merged {
			if err := w.MergeCell(m[0], m[1]); err != nil {
				return err
			}
		}
		if err := w.Flush(); err != nil {
			return err
		}
	}
	return f.SaveAs(path)
}

// writeCSV writes cells that need no quoting; old says in windows-1252.
func writeCSV(path string, rows [][]string, comma rune, old bool) error {
	var b bytes.Buffer
	for _, row := range rows {
		for i, cell := range row {
			if i > 0 {
				b.WriteRune(comma)
			}
			if strings.ContainsRune(cell, comma) {
				cell = `"` + cell + `"`
			}
			b.WriteString(cell)
		}
		b.WriteString("\r\n")
	}
	text := b.Bytes()
	if old {
		var err error
		if text, err = charmap.Windows1252.NewEncoder().Bytes(text); err != nil {
			return err
		}
	}
	return os.WriteFile(path, text, 0o644)
}
