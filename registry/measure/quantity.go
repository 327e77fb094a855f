// Package measure holds values that cannot be wrong: each clinical quantity in
// whole units of its own, built only through a constructor or a parser that
// refuses what cannot be true. It knows no patient and no database.
package measure

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Unit names what a number counts. It decides how a Quantity is held (in
// whole steps of the smallest digit kept) and how it is printed.
type Unit int

// The units of the registry. Enumerations start at one: zero is "not recorded".
const (
	LogMARUnit        Unit = iota + 1 // logMAR, held in thousandths
	DioptreUnit                       // dioptres, held in hundredths
	MicrometreUnit                    // µm, whole
	DegreeUnit                        // degrees of an axis, whole
	MillimetreHgUnit                  // mmHg, held in tenths
	CellsUnit                         // cells/mm², whole
	PercentUnit                       // per cent, held in tenths
	GradeUnit                         // ordinal grade, held in tenths (half steps of haze are 5)
	DensityUnit                       // densitometry, the instrument's own units, held in tenths
	CountUnit                         // a plain count
	IrradianceUnit                    // mW/cm², held in hundredths
	FluenceUnit                       // J/cm², held in hundredths
	SecondUnit                        // seconds, whole
	MillimetreUnit                    // mm, held in hundredths
	MinuteUnit                        // minutes, held in tenths
	MillisecondUnit                   // ms, whole
	ConcentrationUnit                 // per cent of a drug, held in hundredths
)

var units = [...]struct {
	symbol string
	scale  int32 // steps in one unit
	digits int   // decimals kept
	shown  int   // decimals printed in reports
}{
	LogMARUnit:        {"logMAR", 1000, 3, 2},
	DioptreUnit:       {"D", 100, 2, 2},
	MicrometreUnit:    {"µm", 1, 0, 0},
	DegreeUnit:        {"°", 1, 0, 0},
	MillimetreHgUnit:  {"mmHg", 10, 1, 1},
	CellsUnit:         {"cells/mm²", 1, 0, 0},
	PercentUnit:       {"%", 10, 1, 1},
	GradeUnit:         {"grade", 10, 1, 1},
	DensityUnit:       {"units", 10, 1, 1},
	CountUnit:         {"", 1, 0, 0},
	IrradianceUnit:    {"mW/cm²", 100, 2, 2},
	FluenceUnit:       {"J/cm²", 100, 2, 2},
	SecondUnit:        {"s", 1, 0, 0},
	MillimetreUnit:    {"mm", 100, 2, 2},
	MinuteUnit:        {"min", 10, 1, 1},
	MillisecondUnit:   {"ms", 1, 0, 0},
	ConcentrationUnit: {"%", 100, 2, 2},
}

// Symbol returns the unit as printed: "D", "µm", "cells/mm²"; "" for a count.
func (u Unit) Symbol() string { return units[u].symbol }

// Scale returns how many steps make one unit: 100 for dioptres.
func (u Unit) Scale() int32 { return units[u].scale }

// Digits returns the decimals that are kept: 2 for dioptres.
func (u Unit) Digits() int { return units[u].digits }

// Shown returns the decimals that reports print: 2 for logMAR, which keeps 3.
func (u Unit) Shown() int { return units[u].shown }

// Steps is a quantity in whole steps of its unit (hundredths of a dioptre,
// thousandths of logMAR), so that equal measurements are equal values. The
// unit is that of the field which holds it. None means not measured.
type Steps int32

// None is the absence of a measurement. It is never a number and never zero.
const None Steps = math.MinInt32

// IsValid reports whether there is a measurement.
func (s Steps) IsValid() bool { return s != None }

// Float returns the quantity in units, NaN when not measured.
func (s Steps) Float(u Unit) float64 {
	if s == None {
		return math.NaN()
	}
	return float64(s) / float64(units[u].scale)
}

// Text returns the quantity with the decimals that are kept, without its
// unit: "54.25"; "" when not measured.
func (s Steps) Text(u Unit) string {
	if s == None {
		return ""
	}
	return strconv.FormatFloat(s.Float(u), 'f', units[u].digits, 64)
}

// FromFloat returns x units in whole steps, rounded half away from zero. A NaN
// or infinite x, or one too large to hold, is a *RangeError.
func FromFloat(x float64, u Unit) (Steps, error) {
	v := math.Round(x * float64(units[u].scale))
	if math.IsNaN(v) || math.Abs(v) > math.MaxInt32-1 {
		return None, &RangeError{Quantity: units[u].symbol, Got: x, Min: -2e7, Max: 2e7}
	}
	return Steps(v), nil
}

// ParseNumber reads a decimal number as people type it: surrounding spaces, a
// leading plus, a true minus sign, and the given decimal separator ('.' or
// ','). Digit grouping, exponents and units are refused, as is an empty text.
func ParseNumber(text string, decimal byte) (float64, error) {
	s := strings.TrimSpace(text)
	s = strings.Replace(s, "−", "-", 1) // U+2212, the typographic minus
	if decimal == ',' {
		if strings.Contains(s, ".") {
			return 0, &FormatError{Got: text, Want: "a number with a decimal comma, such as 54,25"}
		}
		s = strings.Replace(s, ",", ".", 1)
	}
	digits := strings.TrimLeft(s, "+-")
	if digits == "" || len(s)-len(digits) > 1 || strings.Trim(digits, "0123456789.") != "" {
		return 0, &FormatError{Got: text, Want: "a number such as 54" + string(decimal) + "25"}
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, &FormatError{Got: text, Want: "a number such as 54" + string(decimal) + "25"}
	}
	return x, nil
}

// RangeError is a number outside what its quantity can be.
type RangeError struct {
	Quantity string
	Got      float64
	Min, Max float64
}

// Error returns, for example, "Kmax 540: should be between 35 and 120".
func (e *RangeError) Error() string {
	return fmt.Sprintf("%s %s: should be between %s and %s", e.Quantity, short(e.Got), short(e.Min), short(e.Max))
}

// FormatError is a text that does not read as what its field holds.
type FormatError struct{ Got, Want string }

// Error returns, for example, `"-2,5O": should be a number such as 54.25`.
func (e *FormatError) Error() string { return fmt.Sprintf("%q: should be %s", e.Got, e.Want) }

func short(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
