package reports

import (
	"math"
	"strconv"
	"strings"
)

// Decimals returns how many decimals the format prints: -1 for a format that
// is not a plain decimal.
func (f Format) Decimals() int {
	switch f {
	case Whole:
		return 0
	case OneDec, Share:
		return 1
	case TwoDec:
		return 2
	case ThreeDec, PValue:
		return 3
	}
	return -1
}

// Print returns x as a person reads it in this format. This is the only
// rounding of the project: half away from zero at the last printed digit, a
// true minus sign, and no negative zero.
func (f Format) Print(x float64) string {
	switch {
	case math.IsNaN(x):
		return ""
	case math.IsInf(x, 1):
		return "∞"
	case math.IsInf(x, -1):
		return "−∞"
	case f == PValue:
		return printP(x)
	case f == Share:
		return fixed(100*x, 1) + " %"
	case f == Scientific:
		return strconv.FormatFloat(x, 'g', 3, 64)
	case f.Decimals() >= 0:
		return fixed(x, f.Decimals())
	}
	return strings.Replace(strconv.FormatFloat(x, 'f', -1, 64), "-", "−", 1)
}

func printP(p float64) string {
	if p < 0.001 {
		return "< 0.001"
	}
	return fixed(p, 3)
}

// fixed prints with d decimals, rounding the decimal that was meant: 2.675 is
// held as 2.67499999999999982 and prints as 2.68. Nine more digits than are
// shown decide, which no measurement here reaches.
func fixed(x float64, d int) string {
	scale := math.Pow(10, float64(d))
	scaled := x * scale
	if math.Abs(scaled) < 1e6 {
		scaled = math.Round(scaled*1e9) / 1e9
	}
	s := strconv.FormatFloat(math.Round(scaled)/scale, 'f', d, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// Signed prints a change with its sign: "+0.30", "−1.02", "0.00".
func (f Format) Signed(x float64) string {
	s := f.Print(x)
	if x > 0 && strings.Trim(s, "0. %") != "" {
		return "+" + s
	}
	return s
}

// Range prints an interval as "a to b".
func (f Format) Range(lower, upper float64) string { return f.Print(lower) + " to " + f.Print(upper) }

// plural returns "1 eye", "2 eyes".
func plural(n int, one, many string) string {
	word := many
	if n == 1 {
		word = one
	}
	return thousands(n) + " " + word
}

func eyes(n int) string     { return plural(n, "eye", "eyes") }
func patients(n int) string { return plural(n, "patient", "patients") }

// thousands prints a count with thin spaces between groups of three from
// 10,000 on: "1234", "12 345".
func thousands(n int) string {
	s := strconv.Itoa(n)
	if n < 10000 {
		return s
	}
	var b strings.Builder
	for i, r := range s {
		if i > 0 && (len(s)-i)%3 == 0 {
			b.WriteRune('\u202f')
		}
		b.WriteRune(r)
	}
	return b.String()
}
