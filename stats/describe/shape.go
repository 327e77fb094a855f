package describe

import (
	"math"

	"keratally/stats/sum"
)

// Shape holds skewness and kurtosis in the three forms in use. With central
// moments m₂, m₃, m₄ (denominator n):
//
//	g1 = m₃/m₂^1.5               G1 = g1·√(n(n−1))/(n−2)          b1 = g1·((n−1)/n)^1.5
//	g2 = m₄/m₂² − 3   G2 = (n−1)/((n−2)(n−3))·((n+1)g2 + 6)   b2 = (g2+3)(1−1/n)² − 3
//
// Reports print G1 and G2, the forms of most statistical programs. Fields are
// NaN where all values are equal, skewness with fewer than 3 observations,
// kurtosis with fewer than 4.
//
// Joanes & Gill, The Statistician 1998;47:183–189.
type Shape struct {
	SkewnessMoment float64 // g1
	Skewness       float64 // G1
	SkewnessB1     float64 // b1
	KurtosisMoment float64 // g2, excess over the normal
	Kurtosis       float64 // G2
	KurtosisB2     float64 // b2
}

func shapeOf(deviations []float64) Shape {
	nan := math.NaN()
	s := Shape{nan, nan, nan, nan, nan, nan}
	n := float64(len(deviations))
	largest := 0.0
	for _, d := range deviations {
		largest = math.Max(largest, math.Abs(d))
	}
	if n < 3 || largest == 0 {
		return s
	}
	// Powers of d/largest, so that nothing overflows or underflows.
	powers := [3][]float64{make([]float64, len(deviations)), make([]float64, len(deviations)), make([]float64, len(deviations))}
	for i, d := range deviations {
		u := d / largest
		powers[0][i], powers[1][i], powers[2][i] = u*u, u*u*u, u*u*u*u
	}
	m2, m3, m4 := sum.Mean(powers[0]), sum.Mean(powers[1]), sum.Mean(powers[2])
	s.SkewnessMoment = m3 / math.Pow(m2, 1.5)
	s.Skewness = s.SkewnessMoment * math.Sqrt(n*(n-1)) / (n - 2)
	s.SkewnessB1 = s.SkewnessMoment * math.Pow((n-1)/n, 1.5)
	if n < 4 {
		return s
	}
	s.KurtosisMoment = m4/(m2*m2) - 3
	s.Kurtosis = (n - 1) / ((n - 2) * (n - 3)) * ((n+1)*s.KurtosisMoment + 6)
	shrink := 1 - 1/n
	s.KurtosisB2 = (s.KurtosisMoment+3)*shrink*shrink - 3
	return s
}
