package intake

import (
	"fmt"
	"math"
	"strconv"

	"keratally/registry"
	"keratally/registry/measure"
)

// Bits of VisitPart.Given beyond the measures.
const (
	lensFreeBit = registry.NumMeasures
	textBit     = registry.NumMeasures + 1 // and the following, by text
)

// reset empties a slot for the next row.
func (s *slot) reset() {
	s.given, s.stage, s.ageAt, s.isAfter = false, "", nil, false
	if s.kind == registry.VisitRecord {
		s.v = emptyVisit
		s.vGiven = 0
		s.texts = s.constantText
		s.entered = [3]string{}
		s.visited = nil
		for i, t := range s.texts {
			if t != "" {
				s.vGiven |= 1 << (textBit + i)
			}
		}
	}
	copy(s.values, s.constant)
	for i := range s.hasDays {
		s.hasDays[i] = false
	}
	s.part = nil
}

var emptyVisit = registry.NewVisitPart(nil, 0)

// parse reads a row into the slots of the layout. Every cell that cannot be
// read is reported to fault; the row is then refused as a whole.
func (l *layout) parse(row *Row, in *interner, fault func(*bound, Cell, error)) {
	for _, s := range l.slots {
		s.reset()
	}
	for _, b := range l.columns {
		var cell Cell
		if b.at < len(row.Cells) {
			cell = row.Cells[b.at]
		}
		if b.fillDown {
			if cell.Type == EmptyCell {
				cell = b.last
			} else {
				b.filled = append(b.filled[:0], cell.Text...)
				b.last = Cell{Type: cell.Type, Text: b.filled}
			}
		}
		if cell.Type == EmptyCell {
			continue
		}
		if err := b.store(cell, l, in); err != nil {
			fault(b, cell, err)
		}
	}
	if l.name != nil {
		l.parseMeasurement(row, in, fault)
	}
}

// parseMeasurement reads the one measurement of a row of shape measurement.
func (l *layout) parseMeasurement(row *Row, in *interner, fault func(*bound, Cell, error)) {
	cellOf := func(b *bound) Cell {
		if b.at < len(row.Cells) {
			return row.Cells[b.at]
		}
		return Cell{}
	}
	nameCell, valueCell := cellOf(l.name), cellOf(l.value)
	name, ok, err := l.name.text(nameCell)
	if err != nil {
		fault(l.name, nameCell, err)
		return
	}
	if !ok {
		if valueCell.Type != EmptyCell {
			fault(l.value, valueCell, fmt.Errorf("is the value of a measurement without a name"))
		}
		return
	}
	rule := l.mapping.byName[fold(string(name))]
	if rule == nil {
		fault(l.name, nameCell, fmt.Errorf("is no measurement that the mapping knows: should be %s", orList(sortedKeys(l.mapping.byName))))
		return
	}
	if valueCell.Type == EmptyCell {
		return
	}
	b := &bound{columnRule: *rule, at: l.value.at, slot: l.slot(registry.VisitRecord, 0, "", "")}
	b.slot.by[rule.field.Key] = b
	if err := b.store(valueCell, l, in); err != nil {
		fault(l.value, valueCell, err)
	}
}

// store puts the value of a cell into the slot of its column. The error is a
// reason without the value.
func (b *bound) store(cell Cell, l *layout, in *interner) error {
	text, ok, err := b.text(cell)
	if err != nil || !ok {
		return err
	}
	s, f := b.slot, b.field
	if b.at >= 0 && !b.shared {
		s.given = true
	}
	switch f.role {
	case measureRole:
		v, err := b.number(cell, text)
		if err != nil {
			return err
		}
		s.setMeasure(registry.Measure(f.column), v)
	case acuityRole:
		return b.storeAcuity(cell, text, in)
	case visitTextRole:
		s.texts[f.column] = in.intern(text)
		s.vGiven |= 1 << (textBit + f.column)
	case lensFreeRole:
		if s.v.LensFreeDays, err = b.number(cell, text); err == nil {
			s.vGiven |= 1 << lensFreeBit
		}
	case visitDayRole:
		s.v.On, err = b.day(cell, text, l.sheet.Date04)
	case visitDaysRole:
		err = b.storeDays(cell, text, 0)
	case daysRole:
		err = b.storeDays(cell, text, f.column)
	case stageRole:
		s.stage, err = b.code(cell, text)
	case ageRole, ageTreatmentRole:
		x, err := b.float(cell, text)
		if err != nil {
			return err
		}
		if x != math.Trunc(x) || x < 0 || x > 120 {
			return fmt.Errorf("is not an age in years: should be between 0 and 120")
		}
		s.ageAt, s.age = b, int(x)
	case birthDateRole:
		d, err := b.day(cell, text, l.sheet.Date04)
		if err != nil {
			return err
		}
		s.values[f.column] = registry.Value{Given: true, Num: int32(d.Time().Year())}
	case depthRole:
		if word, err := (&columnRule{field: fieldByKey["demarcation.seen"]}).code(cell, text); err == nil {
			seen, _ := registry.DemarcationRecord.ColumnOf("seen")
			s.values[seen] = registry.Value{Given: true, Text: word}
			return nil
		}
		return b.storeColumn(cell, text, l, in)
	default:
		return b.storeColumn(cell, text, l, in)
	}
	return err
}

func (s *slot) setMeasure(m registry.Measure, v measure.Steps) {
	if (m == registry.RefractionAxis || m == registry.SteepAxis) && v == 0 {
		v = 180
	}
	s.v.Values[m] = v
	s.vGiven |= 1 << m
}

func (b *bound) storeColumn(cell Cell, text []byte, l *layout, in *interner) error {
	s, f := b.slot, b.field
	column := &f.kind.Info().Columns[f.column]
	v := registry.Value{Given: true}
	switch column.Type {
	case registry.TextValue, registry.LinkValue:
		if cell.Type == DateCell || cell.Type == BoolCell {
			return fmt.Errorf("is shown as a %s, not a text: format the column as text and type it again", cell.Type)
		}
		v.Text = in.intern(text)
		if f.kind == registry.ComplicationRecord && column.Key == "kind" {
			known := registry.DefaultComplications()
			if _, ok := known.Find(v.Text); !ok {
				var keys []string
				for _, k := range known.Kinds {
					keys = append(keys, k.Key)
				}
				return fmt.Errorf("is not a complication of the list: should be %s, or be translated by words", orList(keys))
			}
		}
	case registry.CodeValue:
		code, err := b.code(cell, text)
		if err != nil {
			return err
		}
		v.Text = code
	case registry.DayValue:
		d, err := b.day(cell, text, l.sheet.Date04)
		if err != nil {
			return err
		}
		v.Num = int32(d)
	case registry.NumberValue:
		if f.Key == "eye.side" {
			side, err := measure.ParseSide(string(text))
			if err != nil {
				return fmt.Errorf("is not an eye: should be OD (right) or OS (left), or be translated by words")
			}
			v.Num = int32(side)
			break
		}
		n, err := b.number(cell, text)
		if err != nil {
			return err
		}
		v.Num = int32(n)
	}
	s.values[f.column] = v
	return nil
}

func (b *bound) storeDays(cell Cell, text []byte, column int) error {
	x, err := b.float(cell, text)
	if err != nil || cell.Type == DateCell {
		return fmt.Errorf("is not a number of days after the anchor: write it as 90")
	}
	if x != math.Trunc(x) || math.Abs(x) > 36500 {
		return fmt.Errorf("is not a number of days after the anchor: should be whole and within a hundred years")
	}
	s := b.slot
	if s.kind == registry.VisitRecord {
		s.after, s.isAfter = int(x), true
		return nil
	}
	s.days[column], s.hasDays[column] = int(x), true
	return nil
}

// storeAcuity remembers what it has read: a sheet has few different acuities.
func (b *bound) storeAcuity(cell Cell, text []byte, in *interner) error {
	key := acuityKey{b.notation, b.decimal, cell.Type}
	cache := in.acuities[key]
	if cache == nil {
		cache = map[string]acuityRead{}
		in.acuities[key] = cache
	}
	read, ok := cache[string(text)]
	if !ok {
		a, err := b.acuity(cell, text)
		if err != nil {
			return err
		}
		read = acuityRead{value: a.LogMAR, offChart: int8(a.OffChart)}
		if saysMore(a.Entered, b.notation) {
			read.entered = a.Entered
		}
		if len(cache) < 10000 {
			cache[string(text)] = read
		}
	}
	s, m := b.slot, b.field.column
	s.v.Values[m], s.v.OffChart[m] = read.value, read.offChart
	s.entered[m] = read.entered
	s.vGiven |= 1 << m
	return nil
}

// interner keeps one copy of each text that rows repeat.
type interner struct {
	texts    map[string]string
	acuities map[acuityKey]map[string]acuityRead
	visits   map[visitTextKey]*registry.VisitTexts
}

type acuityKey struct {
	notation measure.Notation
	decimal  byte
	cell     CellType
}

type acuityRead struct {
	value    measure.LogMAR
	offChart int8
	entered  string
}

type visitTextKey struct {
	texts   [numTexts]string
	entered [3]string
}

func newInterner() *interner {
	return &interner{texts: map[string]string{}, acuities: map[acuityKey]map[string]acuityRead{}, visits: map[visitTextKey]*registry.VisitTexts{}}
}

func (in *interner) intern(text []byte) string {
	if in == nil {
		return string(text)
	}
	if s, ok := in.texts[string(text)]; ok {
		return s
	}
	s := string(text)
	if len(in.texts) < 1<<17 && len(s) < 200 {
		in.texts[s] = s
	}
	return s
}

// visitTexts returns the texts of a visit, one for all visits that have the
// same; nil for none.
func (in *interner) visitTexts(key visitTextKey) *registry.VisitTexts {
	if key == (visitTextKey{}) {
		return nil
	}
	if t, ok := in.visits[key]; ok {
		return t
	}
	t := &registry.VisitTexts{
		AcuityChart: key.texts[chartText], HazeScale: key.texts[hazeScaleText], Tomographer: key.texts[tomographerText],
		EndothelialCamera: key.texts[cameraText], Note: key.texts[noteText], Entered: enteredJSON(key.entered),
	}
	if len(in.visits) < 1<<16 {
		in.visits[key] = t
	}
	return t
}

// enteredJSON writes what was entered as a JSON object by field key.
func enteredJSON(entered [3]string) string {
	s := ""
	for m, text := range entered {
		if text == "" {
			continue
		}
		if s != "" {
			s += ","
		}
		s += strconv.Quote(registry.Measure(m).String()) + ":" + jsonText(text)
	}
	if s == "" {
		return ""
	}
	return "{" + s + "}"
}
