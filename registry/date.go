package registry

import (
	"fmt"
	"time"
)

// Date is a calendar day without a time zone. The zero Date means not
// recorded. Days are counted from 1 January 1970, which is held as 1 so that
// zero stays free; build a Date with NewDate, ParseISODate or DateOf and
// compare two with < and >.
type Date int32

// NewDate returns the given day of the proleptic Gregorian calendar. A day
// that the month does not have (31 April, 29 February of a common year) is a
// *DateError, as is a year outside 1800 to 2200.
func NewDate(year int, month time.Month, day int) (Date, error) {
	t := time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
	if t.Year() != year || t.Month() != month || t.Day() != day || year < 1800 || year > 2200 {
		return 0, &DateError{Got: fmt.Sprintf("%04d-%02d-%02d", year, int(month), day)}
	}
	return DateOf(t), nil
}

// DateOf returns the day on which t falls in t's own location.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return DateFromDays(int32(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)) // midnights divide exactly
}

// ParseISODate reads "2026-11-24" and nothing else.
func ParseISODate(text string) (Date, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return 0, &DateError{Got: text}
	}
	return NewDate(t.Year(), t.Month(), t.Day())
}

// IsValid reports whether the day was recorded.
func (d Date) IsValid() bool { return d != 0 }

// Days returns whole days from 1 January 1970, which is day 0.
func (d Date) Days() int32 {
	if d > 0 {
		return int32(d) - 1
	}
	return int32(d)
}

// DateFromDays is the inverse of Days.
func DateFromDays(days int32) Date {
	if days >= 0 {
		return Date(days + 1)
	}
	return Date(days)
}

// Time returns midnight UTC of the day.
func (d Date) Time() time.Time { return time.Unix(int64(d.Days())*86400, 0).UTC() }

// Sub returns the whole days from e to d: positive when d is later.
func (d Date) Sub(e Date) int { return int(d.Days() - e.Days()) }

// Add returns the day n days later.
func (d Date) Add(n int) Date { return DateFromDays(d.Days() + int32(n)) }

// Before reports whether d is earlier than e.
func (d Date) Before(e Date) bool { return d < e }

// String returns the ISO form, "2026-11-24"; "" for a day not recorded.
func (d Date) String() string {
	if d == 0 {
		return ""
	}
	return d.Time().Format(time.DateOnly)
}

// Long returns the day as people read it: "24 Nov 2026".
func (d Date) Long() string {
	if d == 0 {
		return ""
	}
	return d.Time().Format("2 Jan 2006")
}

// DateError is a text or a day that is not in the calendar.
type DateError struct{ Got string }

// Error returns, for example, `"2025-02-29" is not a day of the calendar: write it as 2026-11-24`.
func (e *DateError) Error() string {
	return fmt.Sprintf("%q is not a day of the calendar: write it as 2026-11-24", e.Got)
}
