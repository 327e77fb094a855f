package intake

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"keratally/registry"
	"keratally/registry/measure"
)

// text returns what a cell says, translated by the words of its column; ok is
// false when it says that nothing was recorded. A cell that says nothing
// usable is an error: the reason, without the value.
func (c *columnRule) text(cell Cell) (text []byte, ok bool, err error) {
	switch cell.Type {
	case EmptyCell:
		return nil, false, nil
	case ErrorCell:
		return nil, false, fmt.Errorf("is an error of the sheet: correct its formula or empty the cell")
	case BareFormula:
		return nil, false, fmt.Errorf("is a formula without a stored value: open the file in a spreadsheet program, save it, and take it in again")
	}
	text = cell.Text
	if len(c.missing) > 0 && c.missing[fold(string(text))] {
		return nil, false, nil
	}
	if c.words != nil {
		if word, known := c.words[fold(string(text))]; known {
			return []byte(word), word != "", nil
		}
	}
	return text, true, nil
}

// number reads a quantity in the declared unit and returns it in steps of the
// field's own unit, within what the field can be.
func (c *columnRule) number(cell Cell, text []byte) (measure.Steps, error) {
	f := c.field
	if cell.Type == DateCell {
		return measure.None, fmt.Errorf("is shown as a date, not %s: format the cell as a number and type it again", article(f.what))
	}
	if cell.Type == BoolCell {
		return measure.None, fmt.Errorf("is a truth value, not %s", article(f.what))
	}
	if c.unit == "" || c.unit == f.Units[0] {
		if s, ok := fastSteps(text, c.decimal, f.unit); ok {
			return s, c.within(s, s.Float(f.unit))
		}
	}
	x, err := c.float(cell, text)
	if err != nil {
		return measure.None, err
	}
	return c.convert(x)
}

func (c *columnRule) float(cell Cell, text []byte) (float64, error) {
	if cell.Type == NumberCell {
		x, err := strconv.ParseFloat(string(text), 64)
		if err != nil {
			return 0, fmt.Errorf("is not a number")
		}
		return x, nil
	}
	x, err := measure.ParseNumber(string(text), c.decimal)
	if err == nil {
		return x, nil
	}
	hint := ""
	if other := byte(',' + '.' - c.decimal); strings.IndexByte(string(text), other) >= 0 {
		if _, err := measure.ParseNumber(string(text), other); err == nil {
			hint = fmt.Sprintf(", or declare decimal = %q", string(other))
		}
	}
	return 0, fmt.Errorf("is not %s: write it as %s%s", c.noun(), c.example(), hint)
}

// convert turns a number in the declared unit into steps of the field's unit.
func (c *columnRule) convert(x float64) (measure.Steps, error) {
	f := c.field
	switch {
	case c.unit == "mm" && f.unit == measure.DioptreUnit:
		s, err := measure.DioptresFromRadius(x)
		if err != nil {
			hint := ""
			if x >= 30 && x <= 120 {
				hint = `; it looks like dioptres: declare unit = "D"`
			}
			return measure.None, fmt.Errorf("is not a radius in mm: should be between 2.8 and 11.25%s", hint)
		}
		return s, c.within(s, s.Float(f.unit))
	case c.unit == "mm" && f.unit == measure.MicrometreUnit, c.unit == "s" && f.unit == measure.MillisecondUnit:
		x *= 1000
	case c.unit == "um" && f.unit == measure.MillimetreUnit:
		x /= 1000
	case c.unit == "min" && f.unit == measure.SecondUnit:
		x *= 60
	case c.unit == "s" && f.unit == measure.MinuteUnit:
		x /= 60
	case c.unit == "share":
		x *= 100
	}
	if (f.unit == measure.CountUnit || f.unit == measure.DegreeUnit) && x != math.Trunc(x) {
		return measure.None, fmt.Errorf("is not %s: should be a whole number", article(f.what))
	}
	s, err := measure.FromFloat(x, f.unit)
	if err != nil {
		return measure.None, fmt.Errorf("is not %s: should be between %s and %s", c.noun(), short(f.Min), short(f.Max))
	}
	return s, c.within(s, x)
}

// within checks a quantity against what its field can be and says what a
// number outside looks like.
func (c *columnRule) within(s measure.Steps, x float64) error {
	f := c.field
	if !f.hasHard {
		return nil
	}
	if kept := s.Float(f.unit); kept < f.Min || kept > f.Max {
		return fmt.Errorf("is not %s: should be between %s and %s%s", c.inUnit(), short(f.Min), short(f.Max), c.looksLike(x))
	}
	if f.role == measureRole && registry.Measure(f.column) == registry.Haze && s%5 != 0 {
		return fmt.Errorf("is not a haze grade: should be 0 to 4 in half steps")
	}
	return nil
}

// looksLike recognises the usual slips: millimetres for micrometres, a radius
// for a power, minutes for seconds, a share for per cent, swapped columns, a
// lost decimal point.
func (c *columnRule) looksLike(x float64) string {
	f := c.field
	declared := c.unit != "" && c.unit != f.Units[0]
	power := f.unit == measure.DioptreUnit && f.kind == registry.VisitRecord && f.Min >= 30
	switch {
	case declared:
		return fmt.Sprintf("; the mapping declares unit = %q", c.unit)
	case f.unit == measure.MicrometreUnit && x >= 0.1 && x <= 0.9:
		return `; it looks like millimetres: declare unit = "mm"`
	case f.unit == measure.MicrometreUnit && f.kind == registry.VisitRecord && x >= 30 && x < 120:
		return "; it looks like a power in dioptres: are the columns swapped?"
	case power && x >= 4 && x <= 11:
		return `; it looks like a radius in millimetres: declare unit = "mm"`
	case power && x >= 200 && x <= 750 && x == math.Trunc(x):
		return "; it looks like a thickness in µm: are the columns swapped?"
	case f.unit == measure.SecondUnit && x >= 1 && x < f.Min:
		return `; it looks like minutes: declare unit = "min"`
	case f.unit == measure.PercentUnit && x > 0 && x <= 1:
		return `; it looks like a share: declare unit = "share"`
	case f.Key == "patient.birth_year" && x >= 0 && x < 100:
		return "; write the year in four digits"
	case x/100 >= f.Min && x/100 <= f.Max && f.unit == measure.DioptreUnit:
		return "; a decimal point may be missing"
	}
	return ""
}

var unitNouns = map[measure.Unit]string{
	measure.DioptreUnit: "dioptres", measure.MicrometreUnit: "micrometres", measure.DegreeUnit: "degrees", measure.MillimetreHgUnit: "mmHg",
	measure.CellsUnit: "cells/mm²", measure.PercentUnit: "per cent", measure.ConcentrationUnit: "per cent", measure.SecondUnit: "seconds",
	measure.MinuteUnit: "minutes", measure.MillisecondUnit: "milliseconds", measure.MillimetreUnit: "millimetres",
	measure.IrradianceUnit: "mW/cm²", measure.FluenceUnit: "J/cm²", measure.GradeUnit: "the grade",
}

func (c *columnRule) noun() string {
	noun, ok := unitNouns[c.field.unit]
	if c.unit == "mm" && c.field.unit == measure.DioptreUnit {
		noun = "millimetres"
	}
	if !ok {
		return "a number for " + c.field.what
	}
	return "a number of " + noun
}

func (c *columnRule) inUnit() string {
	switch {
	case c.field.unit == measure.GradeUnit:
		return article(c.field.what + " grade")
	case c.field.Unit == "":
		return article(c.field.what)
	}
	return article(c.field.what) + " in " + c.field.Unit
}

func (c *columnRule) example() string {
	example := "54.25"
	switch f := c.field; {
	case f.role == measureRole && (registry.Measure(f.column) == registry.Sphere || registry.Measure(f.column) == registry.Cylinder):
		example = "-2.50"
	case f.unit == measure.MicrometreUnit && c.unit == "mm":
		example = "0.475"
	case f.unit == measure.MicrometreUnit:
		example = "475"
	case f.unit == measure.CountUnit || f.unit == measure.DegreeUnit || f.unit == measure.CellsUnit || f.unit == measure.SecondUnit:
		example = strconv.Itoa(int(math.Ceil((f.Min + f.Max) / 2)))
	case f.unit == measure.GradeUnit:
		example = "0.5"
	case c.unit == "mm":
		example = "7.50"
	}
	return strings.Replace(example, ".", string(c.decimal), 1)
}

// article puts "a" or "an" before a noun; a name in capitals keeps its own.
func article(noun string) string {
	switch {
	case noun == "":
		return ""
	case strings.HasPrefix(noun, "a ") || noun == "days after the anchor" || noun == "cells counted" || strings.HasSuffix(noun, "days"):
		return noun
	case strings.ContainsRune("aeiou", rune(noun[0])) || noun == "ECD" || noun == "IOP":
		return "an " + noun
	}
	return "a " + noun
}

func short(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// fastSteps reads a plain decimal number straight into steps: digits, at most
// one decimal sign, no more decimals than are kept.
func fastSteps(b []byte, decimal byte, u measure.Unit) (measure.Steps, bool) {
	if len(b) == 0 || len(b) > 9 {
		return measure.None, false
	}
	i, negative := 0, false
	if b[0] == '-' {
		i, negative = 1, true
	}
	n, decimals, point, digits := int32(0), 0, false, 0
	for ; i < len(b); i++ {
		switch c := b[i]; {
		case c >= '0' && c <= '9':
			n = n*10 + int32(c-'0')
			digits++
			if point {
				decimals++
			}
		case c == decimal && !point:
			point = true
		default:
			return measure.None, false
		}
	}
	kept := u.Digits()
	if digits == 0 || digits > 6 || decimals > kept {
		return measure.None, false
	}
	for ; decimals < kept; decimals++ {
		n *= 10
	}
	if negative {
		n = -n
	}
	return measure.Steps(n), true
}

// day reads a day in the declared form, or a serial number.
func (c *columnRule) day(cell Cell, text []byte, date04 bool) (registry.Date, error) {
	switch cell.Type {
	case DateCell, NumberCell:
		if cell.Type == NumberCell && c.dates == compactDates {
			return dateText(string(text), compactDates)
		}
		return serialDay(string(text), date04)
	case BoolCell:
		return 0, fmt.Errorf("is a truth value, not a day")
	}
	if d, ok := fastISODay(text); ok {
		return d, nil
	}
	return dateText(string(text), c.dates)
}

// acuity reads an acuity in the declared notation.
func (c *columnRule) acuity(cell Cell, text []byte) (measure.Acuity, error) {
	decimal := c.decimal
	s := string(text)
	switch cell.Type {
	case DateCell:
		return measure.NotMeasured, fmt.Errorf("is shown as a date: a fraction such as 6/12 was turned into a day; format the column as text and type it again")
	case BoolCell:
		return measure.NotMeasured, fmt.Errorf("is a truth value, not an acuity")
	case NumberCell:
		decimal = '.'
		if x, err := strconv.ParseFloat(s, 64); err == nil {
			s = strconv.FormatFloat(math.Round(x*1e6)/1e6, 'f', -1, 64)
		}
	}
	a, err := measure.ParseAcuity(s, c.notation, decimal)
	if err != nil {
		return a, fmt.Errorf("is not %s in the declared notation, %s: %s%s", article(c.field.what), c.notation, acuityReason(err), acuityHint(s, c.notation, decimal))
	}
	return a, nil
}

func acuityReason(err error) string {
	switch e := err.(type) {
	case *measure.FormatError:
		return "should be " + e.Want
	case *measure.RangeError:
		return fmt.Sprintf("%s should be between %s and %s", e.Quantity, short(e.Min), short(e.Max))
	}
	return err.Error()
}

// acuityHint says which notation a refused acuity looks like.
func acuityHint(s string, n measure.Notation, decimal byte) string {
	x, err := measure.ParseNumber(s, decimal)
	switch {
	case err != nil && decimal == '.' && strings.Count(s, ",") == 1 && strings.Trim(s, "-0123456789,") == "":
		return `; it looks like a decimal comma: declare decimal = ","`
	case err != nil:
		return ""
	case n != measure.ETDRSLetters && x > 3 && x <= 100 && x == math.Trunc(x):
		return `; it looks like letters: declare notation = "letters"`
	case n == measure.ETDRSLetters && x > 0 && x <= 2 && x != math.Trunc(x):
		return `; it looks like a decimal acuity or logMAR: declare its notation`
	case n == measure.DecimalVA && x < 0:
		return `; it looks like logMAR: declare notation = "logmar"`
	}
	return ""
}

// saysMore reports whether the text of an acuity holds more than its value:
// anything but a plain number of logMAR or letters.
func saysMore(text string, n measure.Notation) bool {
	plain := strings.Trim(text, "0123456789.,-−+ ") == ""
	return !plain || n != measure.LogMARVA && n != measure.ETDRSLetters
}

// code reads one of the words of a field.
func (c *columnRule) code(cell Cell, text []byte) (string, error) {
	f := c.field
	s := strings.ReplaceAll(strings.ReplaceAll(fold(string(text)), " ", "-"), "_", "-")
	if len(f.Words) == 3 && f.Words[0] == "yes" {
		switch {
		case cell.Type == BoolCell && s == "1" || s == "y" || s == "true":
			return "yes", nil
		case cell.Type == BoolCell && s == "0" || s == "n" || s == "false":
			return "no", nil
		}
	}
	if f.Key == "patient.sex" && (s == "f" || s == "m") {
		return map[string]string{"f": "female", "m": "male"}[s], nil
	}
	for _, w := range f.Words {
		if s == w {
			return w, nil
		}
	}
	return "", fmt.Errorf("is not %s: should be %s, or be translated by words", article(f.what), orList(f.Words))
}

func orList(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}
