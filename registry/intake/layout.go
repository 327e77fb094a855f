package intake

import (
	"errors"
	"fmt"
	"io"
	"path"
	"strings"

	"keratally/registry"
	"keratally/registry/measure"
)

// layout is a mapping bound to one sheet of a workbook: which column gives
// what, into which of the records that a row holds.
type layout struct {
	sheet    *Sheet
	number   int // of the sheet in the workbook
	mapping  *SheetMapping
	headings []string
	head     [][]string // rows before the data, as they are
	width    int
	columns  []*bound
	slots    []*slot
	only     map[int][]string
	patient  *bound // column of the code
	name     *bound // of a measurement
	value    *bound
}

// bound is a column rule at its place.
type bound struct {
	columnRule
	at     int
	slot   *slot
	shared bool // of both eyes: does not by itself make a record
	last   Cell // for fill_down
	filled []byte
}

// slot is one record that a row can hold.
type slot struct {
	kind  registry.Kind
	side  measure.Side // 0: that of the row
	visit string
	zone  string
	by    map[string]*bound // column that gives a field, for messages

	given    bool
	values   []registry.Value
	constant []registry.Value
	days     []int // of the day columns, where given as days
	hasDays  []bool

	v            registry.VisitPart
	vGiven       uint32
	texts        [numTexts]string
	constantText [numTexts]string
	entered      [3]string
	stage        string
	after        int // days after the anchor, where the visit is given so
	isAfter      bool

	ageAt   *bound // an age, to become a year of birth
	age     int
	part    *registry.Part
	visited *registry.VisitPart
	merged  []registry.Value
	now     registry.VisitPart
}

// bind finds the columns of a sheet mapping by the headings of a sheet.
func bind(sheet *Sheet, number int, m *SheetMapping) (*layout, error) {
	l := &layout{sheet: sheet, number: number, mapping: m, only: map[int][]string{}}
	if err := l.readHeadings(); err != nil {
		return nil, err
	}
	problems := []string{}
	fault := func(format string, args ...any) {
		problems = append(problems, fmt.Sprintf("sheet %s, ", sheet.Name)+fmt.Sprintf(format, args...))
	}
	used := map[int]bool{}
	for _, rule := range m.columns {
		at, err := l.find(rule.heading)
		if err != nil {
			fault("%v", err)
			continue
		}
		used[at] = true
		l.add(rule, at, fault)
	}
	for heading, values := range m.only {
		at, err := l.find(heading)
		if err != nil {
			fault("%v", err)
			continue
		}
		used[at] = true
		l.only[at] = nil
		for _, v := range values {
			l.only[at] = append(l.only[at], fold(v))
		}
	}
	l.checkUnused(used, fault)
	l.addConstants()
	l.checkSlots(fault)
	if len(problems) > 0 {
		return nil, errors.New(strings.Join(problems, "\n"))
	}
	return l, nil
}

// checkUnused refuses columns that nobody has decided about, so that nothing
// of a sheet is lost without a word.
func (l *layout) checkUnused(used map[int]bool, fault func(string, ...any)) {
	ignored := func(heading string) bool {
		for _, pattern := range l.mapping.ignore {
			if ok, _ := path.Match(fold(pattern), fold(heading)); ok {
				return true
			}
		}
		return strings.HasPrefix(heading, refusedMark)
	}
	for at, heading := range l.headings {
		if heading != "" && !used[at] && !ignored(heading) {
			fault("column %s: nothing says what %q is: map it, or list it under ignore", Letters(at), heading)
		}
	}
}

func (l *layout) readHeadings() error {
	rows, err := l.sheet.Open()
	if err != nil {
		return err
	}
	defer rows.Close()
	merged, err := l.sheet.merged()
	if err != nil {
		return err
	}
	last := l.mapping.skipRows + l.mapping.headerRows
	for {
		row, err := rows.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return fmt.Errorf("sheet %s: %w", l.sheet.Name, err)
		}
		if row.Number > last {
			l.width = max(l.width, len(row.Cells))
			break
		}
		for len(l.head) < row.Number {
			l.head = append(l.head, nil)
		}
		line := make([]string, len(row.Cells))
		for i, c := range row.Cells {
			line[i] = string(c.Text)
		}
		l.head[row.Number-1] = line
	}
	for len(l.head) < last {
		l.head = append(l.head, nil)
	}
	for _, line := range l.head[l.mapping.skipRows:] {
		l.width = max(l.width, len(line))
	}
	if l.width == 0 {
		return fmt.Errorf("sheet %s: is empty: should have headings in row %d", l.sheet.Name, last)
	}
	l.headings = make([]string, l.width)
	for i := range l.headings {
		l.headings[i] = l.heading(i, merged)
	}
	return nil
}

// heading joins the header rows of a column by " / ". A merged heading counts
// for every column that it spans; in a text file an empty upper heading is
// taken from the left.
func (l *layout) heading(column int, merged []area) string {
	var parts []string
	for row := l.mapping.skipRows; row < len(l.head); row++ {
		text := cellText(l.head[row], column)
		if text == "" {
			for _, a := range merged {
				if a.left <= column && column <= a.right && a.top <= row+1 && row+1 <= a.bottom {
					text = cellText(l.head[a.top-1], a.left)
				}
			}
		}
		if text == "" && merged == nil && row < len(l.head)-1 {
			for left := column; left >= 0 && text == ""; left-- {
				text = cellText(l.head[row], left)
			}
		}
		if text != "" && (len(parts) == 0 || parts[len(parts)-1] != text) {
			parts = append(parts, text)
		}
	}
	return strings.Join(parts, " / ")
}

func cellText(line []string, column int) string {
	if column < len(line) {
		return strings.Join(strings.Fields(line[column]), " ")
	}
	return ""
}

// find returns the column of a heading, or of its letters after @.
func (l *layout) find(heading string) (int, error) {
	if letters, ok := strings.CutPrefix(heading, "@"); ok {
		at := columnAt(strings.ToUpper(letters))
		if at < 0 || at >= max(l.width, 1) {
			return 0, fmt.Errorf("there is no column %s: the last is %s", letters, Letters(l.width-1))
		}
		return at, nil
	}
	found := -1
	for i, h := range l.headings {
		if fold(h) == fold(heading) {
			if found >= 0 {
				return 0, fmt.Errorf(`heading %q stands over columns %s and %s: name the column by its letters, such as "@%s"`, heading, Letters(found), Letters(i), Letters(i))
			}
			found = i
		}
	}
	if found < 0 {
		return 0, fmt.Errorf("row %d: there is no heading %q: the headings are %s", l.mapping.skipRows+l.mapping.headerRows, heading, quotedList(l.headings))
	}
	return found, nil
}

func quotedList(list []string) string {
	var quoted []string
	for _, s := range list {
		if s != "" {
			quoted = append(quoted, fmt.Sprintf("%q", s))
		}
		if len(quoted) == 40 {
			quoted = append(quoted, "…")
			break
		}
	}
	return strings.Join(quoted, ", ")
}

// add puts a column into its slot, or, in a sheet with both eyes side by side,
// a column without a side into the slots of both.
func (l *layout) add(rule columnRule, at int, fault func(string, ...any)) {
	b := &bound{columnRule: rule, at: at}
	switch rule.field.role {
	case nameRole:
		l.name = b
		return
	case valueRole:
		l.value = b
		return
	}
	if rule.field.Key == "patient.code" {
		l.patient = b
	}
	sides := []measure.Side{rule.side}
	if l.mapping.shape == "patient" && rule.side == 0 && belowEye(rule.field.kind) {
		if rule.field.Key == "eye.side" {
			fault(`column %s: eye.side does not fit shape "patient": the columns have sides`, Letters(at))
			return
		}
		sides = []measure.Side{measure.Right, measure.Left}
	}
	for _, side := range sides {
		one := *b
		one.shared = len(sides) > 1
		zone := rule.zone
		if rule.field.step != "" {
			zone = rule.field.step
		}
		one.slot = l.slot(rule.field.kind, side, rule.visit, zone)
		if known := one.slot.by[rule.field.Key]; known != nil && !known.shared {
			fault("columns %s and %s both give %s", Letters(known.at), Letters(at), rule.field.Key)
			continue
		}
		one.slot.by[rule.field.Key] = &one
		l.columns = append(l.columns, &one)
	}
}
