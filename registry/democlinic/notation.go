package democlinic

import (
	"math"
	"strconv"
	"strings"
)

// snellenLines are the lines of the chart at Quayside, over six metres.
var snellenLines = []float64{4, 5, 6, 7.5, 9, 12, 15, 18, 24, 30, 36, 48, 60}

// snellen writes an acuity as that site's sheets do: the nearest line, with
// letters more or less where the reading lies between lines, "CF" beyond.
func (c *Clinic) snellen(logMAR float64) string {
	if logMAR > 1.25 {
		return "CF 1 m"
	}
	best, letters := 6.0, 0
	off := math.Inf(1)
	for _, line := range snellenLines {
		if d := math.Log10(line/6) - logMAR; math.Abs(d) < math.Abs(off) {
			best, off = line, d
		}
	}
	letters = int(math.Round(off / 0.02))
	text := "6/" + strconv.FormatFloat(best, 'f', -1, 64)
	switch {
	case letters == 0 || letters > 2 || letters < -2:
		return text
	case letters > 0:
		return text + "+" + strconv.Itoa(letters)
	default:
		return text + strconv.Itoa(letters)
	}
}

// decimalSteps are the lines of the chart at Upland.
var decimalSteps = []float64{1.25, 1.0, 0.8, 0.63, 0.5, 0.4, 0.32, 0.25, 0.2, 0.16, 0.125, 0.1, 0.05}

func decimalAcuity(logMAR float64) string {
	if logMAR > 1.35 {
		return "FZ" // the site's own word for counting fingers, translated by its mapping
	}
	best := decimalSteps[0]
	for _, d := range decimalSteps {
		if math.Abs(-math.Log10(d)-logMAR) < math.Abs(-math.Log10(best)-logMAR) {
			best = d
		}
	}
	return comma(best, -1)
}

func comma(x float64, digits int) string {
	return strings.Replace(strconv.FormatFloat(x, 'f', digits, 64), ".", ",", 1)
}

func tenth(x float64) float64   { return math.Round(x*10) / 10 }
func quarter(x float64) float64 { return math.Round(x*4) / 4 }

func scaled(v any, by float64) any {
	if x, ok := v.(float64); ok {
		return math.Round(x*by*1000) / 1000
	}
	return v
}

func sexWord(female bool) string {
	if female {
		return "F"
	}
	return "M"
}

func sideWord(right bool) string {
	if right {
		return "R"
	}
	return "L"
}
