package intake

import (
	"bytes"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"keratally/registry"
	"keratally/registry/measure"
)

// Mapping says how the sheets of a clinic become records. It is read from a
// mapping file: see the package comment.
type Mapping struct {
	Name   string
	Text   string // of the file, kept with each batch
	Centre string
	Sheets []*SheetMapping
	File   FileOptions

	centreName string
}

// SheetMapping says how the rows of one sheet, or of every sheet that its name
// fits, become records.
type SheetMapping struct {
	Name     string // of the sheet, with * and ?; "" the first sheet
	Optional bool

	shape       string
	headerRows  int
	skipRows    int
	columns     []columnRule
	byName      map[string]*columnRule // shape measurement
	constants   []columnRule
	ignore      []string
	only        map[string][]string
	visits      map[string]visitRule
	daysFrom    registry.Date // 0: the treatment
	hasDays     bool
	daysBefore  bool // days before the anchor are allowed
	treatmentOn string
}

// columnRule says what one column gives.
type columnRule struct {
	heading  string // or the letters of a column after @
	field    *Field
	unit     string
	notation measure.Notation
	dates    dateForm
	decimal  byte
	side     measure.Side
	visit    string
	zone     string
	fillDown bool
	words    map[string]string
	missing  map[string]bool
	value    string // of a constant
}

type visitRule struct {
	days    int
	hasDays bool
	stage   string
}

// The tables of a mapping file as they are written.
type (
	fileMapping struct {
		Name      string         `toml:"name"`
		Centre    string         `toml:"centre"`
		CentreIs  string         `toml:"centre_name"`
		File      fileTable      `toml:"file"`
		Constants map[string]any `toml:"constants"`
		Sheets    []sheetTable   `toml:"sheet"`
	}
	fileTable struct {
		Encoding  string   `toml:"encoding"`
		Delimiter string   `toml:"delimiter"`
		Decimal   string   `toml:"decimal"`
		Date      string   `toml:"date"`
		Missing   []string `toml:"missing"`
	}
	sheetTable struct {
		Name         string                `toml:"name"`
		Shape        string                `toml:"shape"`
		Optional     bool                  `toml:"optional"`
		HeaderRows   *int                  `toml:"header_rows"`
		SkipRows     int                   `toml:"skip_rows"`
		Decimal      string                `toml:"decimal"`
		Date         string                `toml:"date"`
		Missing      []string              `toml:"missing"`
		Constants    map[string]any        `toml:"constants"`
		Ignore       []string              `toml:"ignore"`
		Only         map[string][]string   `toml:"only"`
		Days         *daysTable            `toml:"days"`
		Treatment    *treatmentTable       `toml:"treatment"`
		Visits       map[string]visitTable `toml:"visits"`
		Columns      map[string]any        `toml:"columns"`
		Measurements map[string]any        `toml:"measurements"`
	}
	daysTable struct {
		From   string `toml:"from"`
		Before bool   `toml:"before"`
	}
	treatmentTable struct {
		On string `toml:"on"`
	}
	visitTable struct {
		Days  *int   `toml:"days"`
		Stage string `toml:"stage"`
	}
)

// ParseMapping reads a mapping file. Unknown keys, unknown fields, units that
// do not fit, acuity without a notation and the like are all listed in one
// error, each with what would be right.
func ParseMapping(text []byte) (*Mapping, error) {
	var file fileMapping
	if err := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields().Decode(&file); err != nil {
		var unknown *toml.StrictMissingError
		if errors.As(err, &unknown) {
			return nil, fmt.Errorf("mapping: unknown key:\n%s", unknown.String())
		}
		var decode *toml.DecodeError
		if errors.As(err, &decode) {
			return nil, fmt.Errorf("mapping: %s", decode.String())
		}
		return nil, fmt.Errorf("mapping: %w", err)
	}
	p := &mappingParser{}
	m := p.mapping(file)
	m.Text = string(text)
	if len(p.problems) > 0 {
		return nil, &MappingError{Problems: p.problems}
	}
	return m, nil
}

// MappingError lists everything that is wrong with a mapping.
type MappingError struct{ Problems []string }

// Error returns one line for each problem.
func (e *MappingError) Error() string { return "mapping: " + strings.Join(e.Problems, "\nmapping: ") }

type mappingParser struct{ problems []string }

func (p *mappingParser) fault(format string, args ...any) {
	p.problems = append(p.problems, fmt.Sprintf(format, args...))
}

func (p *mappingParser) mapping(file fileMapping) *Mapping {
	m := &Mapping{Name: file.Name, Centre: file.Centre, centreName: file.CentreIs}
	if m.Name == "" {
		p.fault(`name: should be given, such as name = "clinic sheets 2026"`)
	}
	if m.Centre == "" {
		p.fault(`centre: should be the code of the centre whose records these are, such as centre = "north"`)
	}
	if m.centreName == "" {
		m.centreName = m.Centre
	}
	m.File.Encoding = file.File.Encoding
	switch d := file.File.Delimiter; {
	case d == "":
	case len(d) == 1 && strings.Contains(",;\t|", d):
		m.File.Delimiter = d[0]
	default:
		p.fault(`[file] delimiter %q: should be ",", ";", "\t" or "|"`, d)
	}
	if len(file.Sheets) == 0 {
		p.fault("no [[sheet]]: should say at least one sheet and its columns")
	}
	for i, s := range file.Sheets {
		m.Sheets = append(m.Sheets, p.sheet(i, s, file))
	}
	return m
}

func (p *mappingParser) sheet(i int, t sheetTable, file fileMapping) *SheetMapping {
	where := fmt.Sprintf("sheet %q", t.Name)
	if t.Name == "" {
		where = fmt.Sprintf("sheet %d", i+1)
	}
	s := &SheetMapping{Name: t.Name, Optional: t.Optional, shape: t.Shape, skipRows: t.SkipRows, headerRows: 1, ignore: t.Ignore, only: t.Only}
	if _, err := path.Match(t.Name, ""); err != nil {
		p.fault("%s: name is not a pattern of * and ?", where)
	}
	if t.HeaderRows != nil {
		s.headerRows = *t.HeaderRows
	}
	if s.headerRows < 0 || s.headerRows > 10 || s.skipRows < 0 {
		p.fault("%s: header_rows should be 0 to 10 and skip_rows 0 or more", where)
	}
	if !slices.Contains([]string{"visit", "eye", "patient", "measurement"}, s.shape) {
		p.fault(`%s: shape %q: should be "visit" (one row per visit), "eye" (visits side by side), "patient" (both eyes side by side) or "measurement" (one row per measurement)`, where, s.shape)
	}
	p.days(s, t, where)
	s.visits = map[string]visitRule{}
	for name, v := range t.Visits {
		r := visitRule{stage: v.Stage}
		if v.Days != nil {
			r.days, r.hasDays = *v.Days, true
		}
		if v.Stage != "" && v.Stage != "baseline" && v.Stage != "follow-up" {
			p.fault("%s: visits.%s: stage %q: should be baseline or follow-up", where, name, v.Stage)
		}
		if r.hasDays && !s.hasDays {
			p.fault("%s: visits.%s: days need an anchor: say [sheet.days] from = ...", where, name)
		}
		s.visits[name] = r
	}
	base := columnRule{decimal: '.', missing: map[string]bool{}}
	base.decimal = p.decimal(where, firstOf(t.Decimal, file.File.Decimal))
	base.dates = p.dateForm(where, firstOf(t.Date, file.File.Date))
	for _, word := range append(append([]string(nil), file.File.Missing...), t.Missing...) {
		base.missing[fold(word)] = true
	}
	for _, heading := range sortedKeys(t.Columns) {
		if c, ok := p.column(fmt.Sprintf("%s, column %q", where, heading), heading, t.Columns[heading], base, s); ok {
			s.columns = append(s.columns, c)
		}
	}
	if len(t.Measurements) > 0 {
		s.byName = map[string]*columnRule{}
	}
	for _, name := range sortedKeys(t.Measurements) {
		at := fmt.Sprintf("%s, measurement %q", where, name)
		if c, ok := p.column(at, name, t.Measurements[name], base, s); ok {
			if c.field.role != measureRole && c.field.role != acuityRole && c.field.role != lensFreeRole && c.field.role != visitTextRole {
				p.fault("%s: %s is not a measurement of a visit", at, c.field.Key)
			}
			s.byName[fold(name)] = &c
		}
	}
	p.constants(s, where, file.Constants, t.Constants, base)
	p.shape(s, where)
	return s
}

func (p *mappingParser) days(s *SheetMapping, t sheetTable, where string) {
	if t.Days != nil {
		s.hasDays, s.daysBefore = true, t.Days.Before
		if t.Days.From != "treatment" {
			day, err := registry.ParseISODate(t.Days.From)
			if err != nil {
				p.fault(`%s: days.from %q: should be "treatment" or a day such as "2020-01-01"`, where, t.Days.From)
			}
			s.daysFrom = day
		}
	}
	if t.Treatment != nil {
		s.treatmentOn = t.Treatment.On
		switch {
		case s.treatmentOn != "day 0":
			p.fault(`%s: treatment.on %q: should be "day 0"`, where, s.treatmentOn)
		case !s.hasDays || !s.daysFrom.IsValid():
			p.fault(`%s: treatment.on "day 0" needs a declared day: say [sheet.days] from = "2020-01-01"`, where)
		}
	}
}

func (p *mappingParser) decimal(where, text string) byte {
	switch text {
	case "", ".":
		return '.'
	case ",":
		return ','
	}
	p.fault(`%s: decimal %q: should be "." or ","`, where, text)
	return '.'
}

func (p *mappingParser) dateForm(where, text string) dateForm {
	form, ok := dateForms[text]
	if !ok {
		p.fault(`%s: date %q: should be "iso", "day-first", "month-first" or "compact" (20261124)`, where, text)
	}
	return form
}
