package mixed_test

import (
	"math/rand/v2"
	"testing"

	"keratally/stats/mixed"
	"keratally/stats/regress"
)

// BenchmarkModel fits y ~ x + (1 | id), and with a slope for a tenth of the
// rows, from columns to coefficients.
func BenchmarkModel(b *testing.B) {
	for _, tt := range []struct {
		name, formula string
		rows          int
	}{
		{"intercept of 25000 groups", "y ~ x + (1 | id)", 100_000},
		{"slope of 2500 groups", "y ~ x + (x | id)", 10_000},
		{"nested", "y ~ x + (1 | top) + (1 | id)", 10_000},
	} {
		b.Run(tt.name, func(b *testing.B) {
			r := rand.New(rand.NewPCG(1, 2))
			y, x, id, top := make([]float64, tt.rows), make([]float64, tt.rows), make([]float64, tt.rows), make([]float64, tt.rows)
			shared, slope, upper := 0.0, 0.0, 0.0
			for i := range y {
				if i%8 == 0 {
					upper = r.NormFloat64()
				}
				if i%4 == 0 {
					shared, slope = r.NormFloat64()+upper, 0.5*r.NormFloat64()
				}
				x[i], id[i], top[i] = float64(i%4), float64(i/4), float64(i/8)
				y[i] = shared + slope*x[i] + r.NormFloat64()
			}
			f, err := regress.ParseFormula(tt.formula)
			if err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				frame := regress.NewFrame(tt.rows)
				for name, c := range map[string][]float64{"y": y, "x": x, "id": id, "top": top} {
					if err := frame.AddNumbers(name, c); err != nil {
						b.Fatal(err)
					}
				}
				d, err := f.Design(frame)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := mixed.Model(d, mixed.REML, mixed.Satterthwaite, 0.95); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkVisitMeans is 5,000 eyes of 3,300 patients at six visits, a fifth of
// them missing.
func BenchmarkVisitMeans(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	by := mixed.Repeated{Labels: []string{"1", "3", "6", "12", "24", "36"}, Shape: mixed.Unstructured, Method: mixed.REML, Freedom: mixed.Satterthwaite}
	var values []float64
	for p := range 3300 {
		shared := r.NormFloat64()
		for e := range 1 + r.IntN(2) {
			own := r.NormFloat64()
			for v := range 6 {
				if v > 0 && r.IntN(5) == 0 {
					continue
				}
				values = append(values, shared+own+0.5*r.NormFloat64()-0.1*float64(v))
				by.Subjects, by.Visits, by.Clusters = append(by.Subjects, 2*p+e), append(by.Visits, v), append(by.Clusters, p)
			}
		}
	}
	for b.Loop() {
		if _, _, err := mixed.VisitMeans(values, by, 0.95); err != nil {
			b.Fatal(err)
		}
	}
}
