package intake

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"keratally/registry"
	"keratally/registry/measure"
)

// column reads `"Heading" = "visit.kmax"` or a table of it with its options.
func (p *mappingParser) column(where, heading string, raw any, base columnRule, s *SheetMapping) (columnRule, bool) {
	c := base
	c.heading = heading
	table, ok := raw.(map[string]any)
	if key, isText := raw.(string); isText {
		table, ok = map[string]any{"field": key}, true
	}
	if !ok {
		p.fault(`%s: should be a field, such as "visit.kmax", or a table with one`, where)
		return c, false
	}
	before := len(p.problems)
	var notation string
	for _, key := range sortedKeys(table) {
		value := table[key]
		text, isText := value.(string)
		switch {
		case key == "words":
			c.words = p.words(where, value)
		case key == "missing":
			c.missing = p.missing(where, value, base.missing)
		case key == "fill_down":
			c.fillDown, ok = value.(bool)
			if !ok {
				p.fault("%s: fill_down should be true or false", where)
			}
		case !isText:
			p.fault("%s: %s should be a text in quotation marks", where, key)
		case key == "field":
			if c.field = fieldByKey[text]; c.field == nil {
				p.fault("%s: there is no field %q%s", where, text, nearest(text))
			}
		case key == "unit":
			c.unit = text
		case key == "notation":
			notation = text
		case key == "date":
			c.dates = p.dateForm(where, text)
		case key == "decimal":
			c.decimal = p.decimal(where, text)
		case key == "side":
			side, err := measure.ParseSide(text)
			if err != nil {
				p.fault("%s: side %v", where, err)
			}
			c.side = side
		case key == "visit":
			c.visit = text
		case key == "zone":
			c.zone = text
		default:
			p.fault("%s: unknown key %q: should be field, unit, notation, date, decimal, side, visit, zone, words, missing or fill_down", where, key)
		}
	}
	if len(p.problems) > before {
		return c, false
	}
	if c.field == nil {
		p.fault(`%s: should name a field, such as field = "visit.kmax"`, where)
		return c, false
	}
	p.fit(where, &c, notation, s)
	return c, len(p.problems) == before
}

// fit checks what was declared for a column against its field.
func (p *mappingParser) fit(where string, c *columnRule, notation string, s *SheetMapping) {
	f := c.field
	switch {
	case f.Acuity && notation == "":
		p.fault(`%s: the notation of %s should be declared, because 0.3 may be decimal or logMAR: notation = "fraction", "decimal", "logmar", "letters", "snellen-m" or "snellen-ft"`, where, f.what)
	case !f.Acuity && notation != "":
		p.fault("%s: a notation fits an acuity only, and %s is none", where, f.Key)
	case f.Acuity:
		n, err := measure.ParseNotation(notation)
		if err != nil {
			p.fault("%s: notation %v", where, err)
		}
		c.notation = n
	}
	if c.unit != "" && !slices.Contains(f.Units, c.unit) {
		if len(f.Units) == 0 {
			p.fault("%s: %s has no unit", where, f.Key)
		} else {
			p.fault("%s: unit %q: %s is in %s", where, c.unit, f.Key, strings.Join(f.Units, " or "))
		}
	}
	switch f.role {
	case daysRole, visitDaysRole, ageRole:
		if !s.hasDays {
			p.fault(`%s: %s needs an anchor: say [sheet.days] from = "treatment" or from = "2020-01-01"`, where, f.Key)
		}
	}
	if c.zone != "" && f.kind != registry.DemarcationRecord && f.kind != registry.TreatmentZoneRecord && f.kind != registry.ProtocolZoneRecord {
		p.fault("%s: a zone fits demarcation, treatment_zone and protocol_zone only", where)
	}
	if c.side != 0 && !belowEye(f.kind) {
		p.fault("%s: a side fits what belongs to an eye, and %s does not", where, f.Key)
	}
	if c.visit != "" && !inVisitGroup(f.kind) {
		p.fault("%s: a visit fits visit, demarcation, complication and surgery only", where)
	}
}

func (p *mappingParser) words(where string, value any) map[string]string {
	table, ok := value.(map[string]any)
	words := map[string]string{}
	for from, to := range table {
		text, isText := to.(string)
		ok = ok && isText
		words[fold(from)] = text
	}
	if !ok {
		p.fault(`%s: words should be a table of texts, such as words = { "0" = "OD", "1" = "OS" }`, where)
	}
	return words
}

func (p *mappingParser) missing(where string, value any, base map[string]bool) map[string]bool {
	list, ok := value.([]any)
	missing := map[string]bool{}
	for word := range base {
		missing[word] = true
	}
	for _, one := range list {
		text, isText := one.(string)
		ok = ok && isText
		missing[fold(text)] = true
	}
	if !ok {
		p.fault(`%s: missing should be a list of texts, such as missing = ["n/a", "-"]`, where)
	}
	return missing
}

func (p *mappingParser) constants(s *SheetMapping, where string, shared, own map[string]any, base columnRule) {
	all := map[string]any{}
	for key, v := range shared {
		all[key] = v
	}
	for key, v := range own {
		all[key] = v
	}
	for _, key := range sortedKeys(all) {
		at := fmt.Sprintf("%s, constant %s", where, key)
		field, table := fieldByKey[key], map[string]any{}
		value, isText := all[key].(string)
		if field == nil || !isText {
			p.fault(`%s: should be a field and its value as a text, such as "treatment.protocol" = "standard"%s`, at, nearest(key))
			continue
		}
		table["field"] = key
		if field.Acuity || field.role == daysRole || field.role == visitDaysRole || field.role == nameRole || field.role == valueRole {
			p.fault("%s: cannot be the same for every row", at)
			continue
		}
		if c, ok := p.column(at, "", table, base, s); ok {
			c.value, c.decimal, c.dates = value, '.', isoDates
			s.constants = append(s.constants, c)
		}
	}
}

// shape checks that the columns are those of the declared shape.
func (p *mappingParser) shape(s *SheetMapping, where string) {
	sides, groups, names, values, visits := 0, 0, 0, 0, 0
	for _, c := range s.columns {
		if c.side != 0 {
			sides++
		}
		if c.visit != "" {
			groups++
		}
		switch c.field.role {
		case nameRole:
			names++
		case valueRole:
			values++
		}
		if c.field.kind == registry.VisitRecord {
			visits++
		}
		if c.visit != "" {
			if _, ok := s.visits[c.visit]; !ok {
				s.visits[c.visit] = visitRule{}
			}
		}
	}
	switch {
	case s.shape == "visit" && (sides > 0 || groups > 0):
		p.fault(`%s: shape "visit" is one eye and one visit a row: side needs shape "patient", visit needs shape "eye"`, where)
	case s.shape == "eye" && sides > 0:
		p.fault(`%s: shape "eye" is one eye a row: a column with a side needs shape "patient"`, where)
	case s.shape == "patient" && sides == 0:
		p.fault(`%s: shape "patient" has both eyes side by side: give each column of an eye its side`, where)
	case s.shape == "measurement" && (names != 1 || values != 1 || len(s.byName) == 0):
		p.fault(`%s: shape "measurement" needs one column measurement.name, one measurement.value and a table [sheet.measurements]`, where)
	case s.shape != "measurement" && (names > 0 || values > 0 || len(s.byName) > 0):
		p.fault(`%s: measurement.name and measurement.value need shape "measurement"`, where)
	}
}

// belowEye reports whether records of the kind belong to an eye.
func belowEye(k registry.Kind) bool {
	switch k {
	case registry.ClinicianRecord, registry.ProtocolRecord, registry.ProtocolZoneRecord, registry.PatientRecord:
		return false
	}
	return true
}

// inVisitGroup reports whether several records of the kind can stand side by
// side in a row, told apart by their visit.
func inVisitGroup(k registry.Kind) bool {
	switch k {
	case registry.VisitRecord, registry.DemarcationRecord, registry.ComplicationRecord, registry.SurgeryRecord:
		return true
	}
	return false
}

func firstOf(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

// fold makes texts comparable that differ in case and spaces only.
func fold(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }

// nearest suggests the field that a mistyped key may have meant.
func nearest(key string) string {
	best, distance := "", 4
	for i := range fields {
		if d := editDistance(key, fields[i].Key); d < distance {
			best, distance = fields[i].Key, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf(": is %q meant?", best)
}

// editDistance is the number of letters to insert, delete or replace
// (Levenshtein 1966).
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := diagonal
			if a[i-1] != b[j-1] {
				cost++
			}
			diagonal = row[j]
			row[j] = min(cost, row[j]+1, row[j-1]+1)
		}
	}
	return row[len(b)]
}
