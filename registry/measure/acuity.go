package measure

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// LogMAR is a visual acuity in thousandths of logMAR: lower is better, 0 is
// 6/6. A letter of a five-letter row is 20. None means not measured, never 6/6.
// Counting fingers and worse have no LogMAR: see OffChart.
type LogMAR = Steps

// Notation is the way in which a clinic writes acuity. A bare number such as
// 0.3 is ambiguous, so whoever reads it must say which notation it is in.
type Notation int

// The notations that acuity is written in.
const (
	AnyFraction   Notation = iota + 1 // 6/12, 20/40, with or without partial lines; bare numbers refused
	DecimalVA                         // 0.5
	LogMARVA                          // 0.30
	ETDRSLetters                      // 70, letters read at 4 m, 0 to 100
	SnellenMetres                     // 6/12, or 12 with the numerator understood
	SnellenFeet                       // 20/40, or 40 with the numerator understood
)

var notationNames = map[string]Notation{
	"fraction": AnyFraction, "decimal": DecimalVA, "logmar": LogMARVA,
	"letters": ETDRSLetters, "snellen-m": SnellenMetres, "snellen-ft": SnellenFeet,
}

// ParseNotation reads the name of a notation as mapping files write it:
// fraction, decimal, logmar, letters, snellen-m, snellen-ft.
func ParseNotation(name string) (Notation, error) {
	if n, ok := notationNames[name]; ok {
		return n, nil
	}
	return 0, &FormatError{Got: name, Want: "fraction, decimal, logmar, letters, snellen-m or snellen-ft"}
}

// String returns the name that ParseNotation reads.
func (n Notation) String() string {
	for name, v := range notationNames {
		if v == n {
			return name
		}
	}
	return ""
}

// OffChart is a finding of vision too low for a letter chart. It has no
// logMAR of its own: a report may substitute one from a named table.
type OffChart int

// The findings below the chart, best first; zero is "on the chart, or not measured".
const (
	CountingFingers OffChart = iota + 1
	HandMovements
	LightPerception
	NoLightPerception
)

var offChartCodes = [...]string{"", "CF", "HM", "LP", "NLP"}

// String returns CF, HM, LP or NLP, the usual abbreviations.
func (o OffChart) String() string { return offChartCodes[o] }

// Acuity is one reading: on the chart it has a LogMAR, below the chart an
// OffChart finding, and always the text as it was written.
type Acuity struct {
	LogMAR   LogMAR
	OffChart OffChart
	Entered  string
}

// NotMeasured is the acuity of a visit at which none was taken.
var NotMeasured = Acuity{LogMAR: None}

// IsValid reports whether an acuity was recorded, on or off the chart.
func (a Acuity) IsValid() bool { return a.LogMAR != None || a.OffChart != 0 }

// The limits of a letter chart, in logMAR (plausibility limits, common practice).
const (
	minLogMAR = -0.40
	maxLogMAR = 3.0
)

// ParseAcuity reads an acuity as a clinic sheet has it, in the declared
// notation: 6/12, 20/40, 0.5 (decimal), 0.30 (logMAR), 70 (letters), partial
// lines (6/12+2, 6/9-1: 0.02 logMAR a letter), and CF, HM, LP, NLP in any
// notation, with a distance after CF or HM ("CF 1 m") kept in Entered. An
// empty text is NotMeasured. Fractions are read in every notation, because
// nothing else looks like one.
//
// logMAR = log10(letter distance / test distance) = −log10(decimal);
// logMAR = 1.7 − 0.02·letters (ETDRS at 4 m, 85 letters = 6/6). Bach,
// "Visual acuity" conversion rules; Holladay 2004, J Cataract Refract Surg.
func ParseAcuity(text string, n Notation, decimal byte) (Acuity, error) {
	s := strings.TrimSpace(text)
	if s == "" {
		return NotMeasured, nil
	}
	if o, ok := parseOffChart(s); ok {
		return Acuity{LogMAR: None, OffChart: o, Entered: s}, nil
	}
	logMAR, err := parseOnChart(s, n, decimal)
	if err != nil {
		return NotMeasured, err
	}
	if logMAR < minLogMAR-1e-9 || logMAR > maxLogMAR+1e-9 {
		return NotMeasured, &RangeError{Quantity: "acuity in logMAR", Got: math.Round(logMAR*1000) / 1000, Min: minLogMAR, Max: maxLogMAR}
	}
	return Acuity{LogMAR: Steps(math.Round(logMAR * 1000)), Entered: s}, nil
}

func parseOffChart(s string) (OffChart, bool) {
	word := strings.ToUpper(strings.NewReplacer(".", "", "@", " ", "/", " ").Replace(s))
	head, rest, _ := strings.Cut(word, " ")
	if rest != "" && strings.Trim(rest, "0123456789 ,MCFTIN'") != "" {
		head = word // more than a distance follows: only the whole may be a finding
	}
	switch head {
	case "CF", "FC", "COUNTING FINGERS", "COUNT FINGERS":
		return CountingFingers, true
	case "HM", "HAND MOVEMENTS", "HAND MOTION", "HAND MOVEMENT":
		return HandMovements, true
	case "LP", "PL", "LIGHT PERCEPTION":
		return LightPerception, true
	case "NLP", "NPL", "NO LIGHT PERCEPTION":
		return NoLightPerception, true
	}
	return 0, false
}

func parseOnChart(s string, n Notation, decimal byte) (float64, error) {
	base, partial, err := cutPartial(s, n)
	if err != nil {
		return 0, err
	}
	if num, den, ok := strings.Cut(base, "/"); ok {
		d, err1 := ParseNumber(num, decimal)
		m, err2 := ParseNumber(den, decimal)
		if err1 != nil || err2 != nil || d <= 0 || m <= 0 {
			return 0, &FormatError{Got: s, Want: "a fraction such as 6/12 or 20/40"}
		}
		if n == DecimalVA && d < 1 || d > 30 {
			return 0, &FormatError{Got: s, Want: "a test distance of 1 to 20 over a letter size, such as 6/12"}
		}
		return math.Log10(m/d) - 0.02*float64(partial), nil
	}
	x, err := ParseNumber(base, decimal)
	if err != nil {
		return 0, &FormatError{Got: s, Want: "an acuity such as " + n.example()}
	}
	switch n {
	case DecimalVA:
		if x < 0.001 || x > 2.5 {
			return 0, &RangeError{Quantity: "decimal acuity", Got: x, Min: 0.001, Max: 2.5}
		}
		return -math.Log10(x) - 0.02*float64(partial), nil
	case LogMARVA:
		return x - 0.02*float64(partial), nil
	case ETDRSLetters:
		if x < 0 || x > 100 || x != math.Trunc(x) {
			return 0, &RangeError{Quantity: "ETDRS letters (whole)", Got: x, Min: 0, Max: 100}
		}
		return 1.7 - 0.02*x, nil
	case SnellenMetres:
		return snellenBelow(s, x, 6, partial)
	case SnellenFeet:
		return snellenBelow(s, x, 20, partial)
	}
	return 0, &FormatError{Got: s, Want: "a fraction such as 6/12; a bare number needs a declared notation (decimal, logMAR or letters)"}
}

// snellenBelow reads the lower half of a fraction whose upper half is
// understood: 12 for 6/12.
func snellenBelow(s string, below, above float64, partial int) (float64, error) {
	if below < above/3 {
		return 0, &FormatError{Got: s, Want: fmt.Sprintf("the lower number of a fraction over %g, such as %g", above, 2*above)}
	}
	return math.Log10(below/above) - 0.02*float64(partial), nil
}

// cutPartial separates the letters read beyond or short of a line: "6/12+2"
// is 6/12 and +2, "6/9-1" is 6/9 and −1; "p" or "part" counts two letters
// short (common practice). A sign that leads a bare number is the number's own.
func cutPartial(s string, n Notation) (base string, letters int, err error) {
	s = strings.ReplaceAll(s, "−", "-")
	lower := strings.ToLower(s)
	for _, mark := range []string{" part", "part", " p", "p"} {
		if strings.HasSuffix(lower, mark) {
			return strings.TrimSpace(s[:len(s)-len(mark)]), -2, nil
		}
	}
	i := strings.LastIndexAny(s, "+-")
	if i <= 0 {
		return s, 0, nil
	}
	k, err := strconv.Atoi(strings.TrimSpace(s[i+1:]))
	if s[i+1:] == "" { // a bare sign is one letter
		k, err = 1, nil
	}
	if err != nil || k > 4 || (n == ETDRSLetters && !strings.Contains(s, "/")) {
		return "", 0, &FormatError{Got: s, Want: "a line with up to 4 letters more or less, such as 6/12+2"}
	}
	if s[i] == '-' {
		k = -k
	}
	return strings.TrimSpace(s[:i]), k, nil
}

func (n Notation) example() string {
	switch n {
	case DecimalVA:
		return "0.5 (decimal)"
	case LogMARVA:
		return "0.30 (logMAR)"
	case ETDRSLetters:
		return "70 (letters)"
	case SnellenFeet:
		return "20/40"
	default:
		return "6/12"
	}
}

// Letters returns the ETDRS letter score of a logMAR, 85 − 50·logMAR, not
// rounded and not cut off at 0. NaN when not measured.
func Letters(l LogMAR) float64 {
	if l == None {
		return math.NaN()
	}
	return 85 - float64(l)/20
}
