package regress

import "math"

// doubled is a number held as the unevaluated sum of two float64, about 32
// significant digits. Dekker, Numer Math 1971;18:224–242.
type doubled struct{ hi, lo float64 }

func double(x float64) doubled { return doubled{hi: x} }

func (a doubled) float() float64 { return a.hi + a.lo }

func twoSum(a, b float64) doubled {
	s := a + b
	v := s - a
	return doubled{s, (a - (s - v)) + (b - v)}
}

func (a doubled) plus(b doubled) doubled {
	s := twoSum(a.hi, b.hi)
	return renormal(s.hi, s.lo+a.lo+b.lo)
}

func (a doubled) minus(b doubled) doubled { return a.plus(doubled{-b.hi, -b.lo}) }

func (a doubled) times(b doubled) doubled {
	p := a.hi * b.hi
	e := math.FMA(a.hi, b.hi, -p)
	return renormal(p, e+(a.hi*b.lo+a.lo*b.hi))
}

func (a doubled) over(b doubled) doubled {
	q := a.hi / b.hi
	r := a.minus(b.times(double(q)))
	q2 := r.hi / b.hi
	r = r.minus(b.times(double(q2)))
	s := renormal(q, q2)
	return s.plus(double(r.hi / b.hi))
}

func (a doubled) sqrt() doubled {
	if a.hi <= 0 {
		return doubled{}
	}
	x := math.Sqrt(a.hi)
	r := a.minus(double(x).times(double(x)))
	return renormal(x, r.hi/(2*x))
}

func renormal(hi, lo float64) doubled {
	s := hi + lo
	return doubled{s, lo - (s - hi)}
}

func dotDoubled(a, b []doubled) doubled {
	var s doubled
	for i, x := range a {
		s = s.plus(x.times(b[i]))
	}
	return s
}
