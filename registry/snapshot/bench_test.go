package snapshot_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/registry/snapshot/snaptest"
)

// BenchmarkOutcomes makes the analysis table of 10,000 eyes × 8 visits and
// asks it for every measure in every window, every complication and the recalls.
func BenchmarkOutcomes(b *testing.B) {
	r := snaptest.New(b, "2026-12-31")
	day0 := snaptest.Day(b, "2022-01-01")
	for i := range 5000 {
		p := r.Patient("A", registry.Patient{Code: fmt.Sprintf("P%05d", i), BirthYear: 1995})
		for _, side := range []measure.Side{measure.Right, measure.Left} {
			e := r.Eye(p, side, "keratoconus")
			r.Treat(e, day0.String(), snapshot.Absent, snapshot.Absent)
			for k, day := range []int{0, 1, 7, 30, 91, 183, 365, 730} {
				r.Visit(e, day0.Add(day).String(), snaptest.Values{registry.Kmax: measure.Steps(5000 + i%300 - k), registry.CDVA: 200, registry.Thinnest: 450,
					registry.Sphere: -200, registry.Cylinder: -100, registry.RefractionAxis: 90}, nil)
			}
		}
	}
	s := r.Freeze()
	b.ReportAllocs()
	for b.Loop() {
		o, err := s.Outcomes(registry.DefaultDefinitions())
		require.NoError(b, err)
		for q := range registry.Quantity(registry.NumQuantities) {
			for w := range o.Windows() {
				o.Pairs(q, w)
				o.Completeness(q, w)
			}
		}
		_, err = o.Complications()
		require.NoError(b, err)
		o.Recalls()
		o.Faults()
	}
}
