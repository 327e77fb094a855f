// Package sum adds without rounding error: every function returns the exact
// sum rounded once, so that a result depends on neither the order of the data
// nor on cancellation between them.
package sum

import "math"

// Accumulator holds a running sum exactly, as doubles that do not overlap.
// The zero Accumulator is an empty sum.
//
// Shewchuk, Discrete Comput Geom 1997;18:305–363.
type Accumulator struct {
	parts   []float64
	special float64 // sum of infinities and NaN, which have no parts
}

// Add adds x.
func (a *Accumulator) Add(x float64) {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		a.special += x
		return
	}
	kept := 0
	for _, y := range a.parts {
		if math.Abs(x) < math.Abs(y) {
			x, y = y, x
		}
		high := x + y
		low := y - (high - x)
		if low != 0 {
			a.parts[kept] = low
			kept++
		}
		x = high
	}
	a.parts = append(a.parts[:kept], x)
}

// AddProduct adds x·y, exactly.
func (a *Accumulator) AddProduct(x, y float64) {
	product := x * y
	a.Add(product)
	if rest := math.FMA(x, y, -product); rest != 0 && !math.IsNaN(rest) {
		a.Add(rest)
	}
}

// Total returns the exact sum, rounded once to the nearest double.
func (a *Accumulator) Total() float64 {
	if a.special != 0 || math.IsNaN(a.special) {
		return a.special
	}
	n := len(a.parts)
	if n == 0 {
		return 0
	}
	total := a.parts[n-1]
	n--
	low := 0.0
	for n > 0 {
		x, y := total, a.parts[n-1]
		n--
		total = x + y
		low = y - (total - x)
		if low != 0 {
			break
		}
	}
	// Half-way cases round to even by looking at the next part below.
	if n > 0 && ((low < 0 && a.parts[n-1] < 0) || (low > 0 && a.parts[n-1] > 0)) {
		twice := low * 2
		if rounded := total + twice; twice == rounded-total {
			total = rounded
		}
	}
	return total
}

// Sum returns the exact sum of x, rounded once; 0 for no values.
func Sum(x []float64) float64 {
	var buffer [16]float64
	a := Accumulator{parts: buffer[:0]}
	for _, v := range x {
		a.Add(v)
	}
	return a.Total()
}

// Mean returns the exact sum divided by the number of values; NaN for none.
func Mean(x []float64) float64 { return Sum(x) / float64(len(x)) }

// Dot returns Σ x·y, rounded once. The slices have equal length. A product
// other than 0 that is smaller than about 1e-290 in magnitude loses its last
// digits below the least double, and with them the power to break a tie.
func Dot(x, y []float64) float64 {
	var buffer [16]float64
	a := Accumulator{parts: buffer[:0]}
	for i, v := range x {
		a.AddProduct(v, y[i])
	}
	return a.Total()
}

// SumSquaresDev returns Σ (x − mean)², mean being that of x. It is exact to the
// last digits however large the mean is beside the spread: what rounding took
// from the mean is given back by the term (Σ(x − m))²/n.
func SumSquaresDev(x []float64) float64 {
	return ProductsDev(x, x)
}

// ProductsDev returns Σ (x − mean(x))·(y − mean(y)); see SumSquaresDev.
func ProductsDev(x, y []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	mx, my := Mean(x), Mean(y)
	var buffers [3][16]float64
	products, dx, dy := Accumulator{parts: buffers[0][:0]}, Accumulator{parts: buffers[1][:0]}, Accumulator{parts: buffers[2][:0]}
	for i, v := range x {
		ex, ey := v-mx, y[i]-my
		products.AddProduct(ex, ey)
		dx.Add(ex)
		dy.Add(ey)
	}
	return products.Total() - dx.Total()*dy.Total()/float64(len(x))
}

// Variance returns Σ (x − mean)²/(n − 1); NaN for fewer than two values, and
// exactly 0 where all are equal.
func Variance(x []float64) float64 {
	if len(x) < 2 {
		return math.NaN()
	}
	return math.Max(0, SumSquaresDev(x)) / float64(len(x)-1)
}
