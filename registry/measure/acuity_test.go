package measure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// The conversion series of Holladay 2004 (J Cataract Refract Surg) and ISO
// 8596. The logMAR column is −log10(decimal) worked by hand to three decimals;
// letters are 85 − 50·logMAR (Gregori 2010) to the decimals of the table.
var conversionSeries = []struct {
	feet, metres string
	logMAR       float64 // −log10 of the exact fraction in feet
	letters      float64
}{
	{"20/10", "6/3", -0.301, 100.05},
	{"20/12.5", "", -0.204, 95.2},
	{"20/16", "", -0.097, 89.8},
	{"20/20", "6/6", 0.000, 85.0},
	{"20/25", "6/7.5", 0.097, 80.2},
	{"20/30", "6/9", 0.176, 76.2},
	{"20/32", "6/9.6", 0.204, 74.8},
	{"20/40", "6/12", 0.301, 69.9},
	{"20/50", "6/15", 0.398, 65.1},
	{"20/60", "6/18", 0.477, 61.1},
	{"20/63", "", 0.498, 60.1},
	{"20/70", "6/21", 0.544, 57.8},
	{"20/80", "6/24", 0.602, 54.9},
	{"20/100", "6/30", 0.699, 50.1},
	{"20/120", "6/36", 0.778, 46.1},
	{"20/125", "", 0.796, 45.2},
	{"20/160", "6/48", 0.903, 39.8},
	{"20/200", "6/60", 1.000, 35.0},
	{"20/250", "6/75", 1.097, 30.2},
	{"20/320", "6/96", 1.204, 24.8},
	{"20/400", "6/120", 1.301, 20.0},
	{"20/800", "6/240", 1.602, 4.9},
	{"20/1000", "6/300", 1.699, 0.05},
	{"20/2000", "6/600", 2.000, -15},
}

func TestSnellenFractionsHaveTheirLogMAR(t *testing.T) {
	for _, tt := range conversionSeries {
		for _, text := range []string{tt.feet, tt.metres} {
			if text == "" { // the table rounds the letter size of this line in metres
				continue
			}
			t.Run(text, func(t *testing.T) {
				for _, n := range []Notation{AnyFraction, DecimalVA, LogMARVA, ETDRSLetters, SnellenMetres, SnellenFeet} {
					a, err := ParseAcuity(text, n, '.')
					require.NoError(t, err, n)
					require.Equal(t, Steps(math.Round(tt.logMAR*1000)), a.LogMAR, n)
				}
				a, _ := ParseAcuity(text, AnyFraction, '.')
				require.InDelta(t, tt.letters, Letters(a.LogMAR), 0.07, "letters: 0.05 of the table's rounding, 0.02 of logMAR held in thousandths")
			})
		}
	}
}

// Decimal acuity is the inverse of the angle: logMAR = −log10(d).
func TestDecimalAcuity(t *testing.T) {
	for _, tt := range []struct {
		text    string
		decimal byte
		logMAR  Steps
	}{
		{"2.0", '.', -301}, {"1.6", '.', -204}, {"1.25", '.', -97}, {"1.0", '.', 0}, {"0.8", '.', 97},
		{"0.5", '.', 301}, {"0,5", ',', 301}, {"0.4", '.', 398}, {"0.25", '.', 602}, {"0.2", '.', 699},
		{"0.1", '.', 1000}, {"0.05", '.', 1301}, {"0.01", '.', 2000}, {"1", '.', 0},
	} {
		a, err := ParseAcuity(tt.text, DecimalVA, tt.decimal)
		require.NoError(t, err, tt.text)
		require.Equal(t, tt.logMAR, a.LogMAR, tt.text)
		require.Equal(t, tt.text, a.Entered)
	}
}

// Agelis 2012 (meeting abstract): 6/24 is 55 letters, 6/12 is 70, 6/6 is 85.
func TestLettersAgelis2012(t *testing.T) {
	for text, logMAR := range map[string]Steps{"55": 600, "70": 300, "85": 0, "100": -300, "0": 1700} {
		a, err := ParseAcuity(text, ETDRSLetters, '.')
		require.NoError(t, err)
		require.Equal(t, logMAR, a.LogMAR, text)
	}
}

// A letter of a five-letter row is 0.02 logMAR: 20/40−2 is 0.301 + 0.04
// (common practice).
func TestPartialLines(t *testing.T) {
	for text, want := range map[string]Steps{
		"20/40-2": 341, "20/40−2": 341, "6/12+2": 261, "6/9-1": 196, "6/9-": 196, "6/9+": 156,
		"6/9 part": 216, "6/9p": 216, "6/6 + 3": -60,
	} {
		a, err := ParseAcuity(text, AnyFraction, '.')
		require.NoError(t, err, text)
		require.Equal(t, want, a.LogMAR, text)
		require.Equal(t, text, a.Entered)
	}
}

// 6/12 written as 12 over 6 understood, and 20/40 as 40 over 20.
func TestFractionsWithTheUpperHalfUnderstood(t *testing.T) {
	a, err := ParseAcuity("12", SnellenMetres, '.')
	require.NoError(t, err)
	require.Equal(t, Steps(301), a.LogMAR)
	a, err = ParseAcuity("40", SnellenFeet, '.')
	require.NoError(t, err)
	require.Equal(t, Steps(301), a.LogMAR)
	_, err = ParseAcuity("0.5", SnellenMetres, '.')
	require.ErrorContains(t, err, "lower number of a fraction over 6")
}

func TestOffChartFindings(t *testing.T) {
	for text, want := range map[string]OffChart{
		"CF": CountingFingers, "cf 1 m": CountingFingers, "HM": HandMovements, "LP": LightPerception, "NLP": NoLightPerception, "NPL": NoLightPerception,
	} {
		a, err := ParseAcuity(text, DecimalVA, '.')
		require.NoError(t, err, text)
		require.Equal(t, want, a.OffChart, text)
		require.Equal(t, None, a.LogMAR, "a finding below the chart has no number")
		require.True(t, a.IsValid())
		require.Equal(t, text, a.Entered)
	}
}

func TestAcuityRefused(t *testing.T) {
	for _, tt := range []struct {
		text string
		n    Notation
		says string
	}{
		{"0.3", AnyFraction, "declared notation"},
		{"5", DecimalVA, "decimal acuity 5"},
		{"0", DecimalVA, "decimal acuity 0"},
		{"101", ETDRSLetters, "ETDRS letters"},
		{"70.5", ETDRSLetters, "ETDRS letters"},
		{"-1", ETDRSLetters, "ETDRS letters"},
		{"4.0", LogMARVA, "between -0.4 and 3"},
		{"6/0", AnyFraction, "fraction"},
		{"6/", AnyFraction, "fraction"},
		{"6/12+9", AnyFraction, "up to 4 letters"},
		{"good", LogMARVA, "acuity such as"},
		{"40/20", AnyFraction, "test distance"},
	} {
		a, err := ParseAcuity(tt.text, tt.n, '.')
		require.ErrorContains(t, err, tt.says, tt.text)
		require.False(t, a.IsValid(), tt.text)
	}
	a, err := ParseAcuity("  ", LogMARVA, '.')
	require.NoError(t, err)
	require.Equal(t, NotMeasured, a)
	require.True(t, math.IsNaN(Letters(None)))
}

func TestNotationNames(t *testing.T) {
	for _, name := range []string{"fraction", "decimal", "logmar", "letters", "snellen-m", "snellen-ft"} {
		n, err := ParseNotation(name)
		require.NoError(t, err)
		require.Equal(t, name, n.String())
	}
	_, err := ParseNotation("imperial")
	require.ErrorContains(t, err, "snellen-ft")
}

// Holladay 2004: the mean of 20/20 and 20/200 is 0.5 logMAR, 20/63.
func TestAveragingHolladay2004(t *testing.T) {
	a, _ := ParseAcuity("20/20", AnyFraction, '.')
	b, _ := ParseAcuity("20/200", AnyFraction, '.')
	require.InDelta(t, 0.5, (a.LogMAR.Float(LogMARUnit)+b.LogMAR.Float(LogMARUnit))/2, 1e-12)
}
