package intake

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"keratally/registry"
)

// dateForm is the order in which a clinic writes day, month and year.
type dateForm int

const (
	undeclaredDates dateForm = iota
	isoDates
	dayFirst
	monthFirst
	compactDates
)

var dateForms = map[string]dateForm{"": undeclaredDates, "iso": isoDates, "day-first": dayFirst, "month-first": monthFirst, "compact": compactDates}

// dateText reads a day as text. Year-month-day and days with the name of the
// month are plain in every form; of the rest, one that could be two days is
// refused unless the form is declared. The error is a reason without the text.
func dateText(text string, form dateForm) (registry.Date, error) {
	s := strings.TrimSpace(text)
	if i := strings.IndexAny(s, "T "); i >= 8 && strings.Contains(s[i:], ":") {
		s = s[:i] // a time of day follows
	}
	if form == compactDates || len(s) == 8 && strings.Trim(s, "0123456789") == "" {
		if len(s) != 8 || strings.Trim(s, "0123456789") != "" {
			return 0, fmt.Errorf("is not a day written as 20261124")
		}
		if form != compactDates {
			return 0, fmt.Errorf(`may be a day without separators: declare date = "compact", or write it as 2026-11-24`)
		}
		return calendarDay(s[:4], s[4:6], s[6:])
	}
	parts := strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune("-/. ,", r) })
	if len(parts) != 3 {
		return 0, fmt.Errorf("is not a day: write it as 2026-11-24")
	}
	if month, ok := monthNames[strings.ToLower(parts[1])]; ok {
		return calendarDay(parts[2], strconv.Itoa(month), parts[0])
	}
	if month, ok := monthNames[strings.ToLower(parts[0])]; ok {
		return calendarDay(parts[2], strconv.Itoa(month), parts[1])
	}
	if len(parts[0]) == 4 {
		return calendarDay(parts[0], parts[1], parts[2])
	}
	if len(parts[2]) != 4 {
		return 0, fmt.Errorf("should have its year in four digits, such as 2026-11-24")
	}
	switch form {
	case dayFirst:
		return calendarDay(parts[2], parts[1], parts[0])
	case monthFirst:
		return calendarDay(parts[2], parts[0], parts[1])
	case isoDates:
		return 0, fmt.Errorf(`is not year-month-day, which the mapping declares: write it as 2026-11-24, or declare date = "day-first" or "month-first"`)
	}
	byDay, err1 := calendarDay(parts[2], parts[1], parts[0])
	byMonth, err2 := calendarDay(parts[2], parts[0], parts[1])
	switch {
	case err1 == nil && err2 == nil && byDay != byMonth:
		return 0, fmt.Errorf(`may be %s or %s: declare date = "day-first" or "month-first"`, byDay, byMonth)
	case err1 == nil:
		return byDay, nil
	case err2 == nil:
		return byMonth, nil
	}
	return 0, err1
}

var monthNames = func() map[string]int {
	names := map[string]int{}
	for m := time.January; m <= time.December; m++ {
		names[strings.ToLower(m.String())] = int(m)
		names[strings.ToLower(m.String()[:3])] = int(m)
	}
	names["sept"] = 9
	return names
}()

func calendarDay(year, month, day string) (registry.Date, error) {
	y, err1 := strconv.Atoi(year)
	m, err2 := strconv.Atoi(month)
	d, err3 := strconv.Atoi(day)
	if err1 != nil || err2 != nil || err3 != nil {
		return 0, fmt.Errorf("is not a day: write it as 2026-11-24")
	}
	if len(year) != 4 {
		return 0, fmt.Errorf("should have its year in four digits, such as 2026-11-24")
	}
	date, err := registry.NewDate(y, time.Month(m), d)
	if err != nil {
		if m == 2 && d == 29 {
			return 0, fmt.Errorf("is not in the calendar: %d had no 29 February", y)
		}
		return 0, fmt.Errorf("is not in the calendar: write a day that exists as 2026-11-24")
	}
	return date, nil
}

// fastISODay reads 2026-11-24 without a new string; ok is false for anything
// else, which dateText then looks at.
func fastISODay(b []byte) (registry.Date, bool) {
	if len(b) != 10 || b[4] != '-' || b[7] != '-' {
		return 0, false
	}
	n := [8]int{}
	for i, at := range [8]int{0, 1, 2, 3, 5, 6, 8, 9} {
		c := b[at] - '0'
		if c > 9 {
			return 0, false
		}
		n[i] = int(c)
	}
	y, m, d := n[0]*1000+n[1]*100+n[2]*10+n[3], n[4]*10+n[5], n[6]*10+n[7]
	if y < 1800 || y > 2200 || m < 1 || m > 12 || d < 1 || d > 28 {
		return 0, false // the end of a month is left to the calendar
	}
	return registry.DateFromDays(civilDays(y, m, d)), true
}

// civilDays counts days from 1970-01-01 to a day of the Gregorian calendar:
// years from March, so that the leap day is the last.
func civilDays(y, m, d int) int32 {
	if m <= 2 {
		y--
		m += 12
	}
	return int32(365*y + y/4 - y/100 + y/400 + (153*(m-3)+2)/5 + d - 1 - 719468)
}

// serialDay reads the serial number of a spreadsheet: whole days from
// 1899-12-30, or from 1904-01-01, with the time of day as a fraction. In the
// first system numbers up to 60 are off by the day that 1900 did not have, so
// they are refused (ECMA-376 part 1, 18.17.4.1).
func serialDay(number string, date04 bool) (registry.Date, error) {
	x, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsNaN(x) || x <= 60 || x > 146_000 {
		return 0, fmt.Errorf("is a number but not the serial number of a day: format the cell as a date")
	}
	first := civilDays(1899, 12, 30)
	if date04 {
		first = civilDays(1904, 1, 1)
	}
	return registry.DateFromDays(first + int32(math.Floor(x))), nil
}
