package measure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func refraction(t *testing.T, sphere, cylinder float64, axis int) Refraction {
	t.Helper()
	s, err := FromFloat(sphere, DioptreUnit)
	require.NoError(t, err)
	c, err := FromFloat(cylinder, DioptreUnit)
	require.NoError(t, err)
	r, err := NewRefraction(s, c, Steps(axis))
	require.NoError(t, err)
	return r
}

// Hand arithmetic by the formulas of Thibos, Wheeler & Horner 1997 (Optom Vis
// Sci 74:367): M = S + C/2, J0 = −(C/2)·cos 2α, J45 = −(C/2)·sin 2α,
// B = √(M² + J0² + J45²), to three decimals.
func TestPowerVectorsThibos1997(t *testing.T) {
	const halfPlace = 0.0005
	for _, tt := range []struct {
		sphere, cylinder float64
		axis             int
		m, j0, j45, blur float64
	}{
		{-3, -2, 20, -4.000, 0.766, 0.643, 4.123},
		{-2, -3, 60, -3.500, -0.750, 1.299, 3.808},
		{-1, -1.5, 90, -1.750, -0.750, 0.000, 1.904},
		{0, -2, 180, -1.000, 1.000, 0.000, 1.414},
		{-4.5, -4, 135, -6.500, 0.000, -2.000, 6.801},
		{1, 2, 60, 2.000, 0.500, -0.866, 2.236},
		{3, -2, 150, 2.000, 0.500, -0.866, 2.236}, // the same lens in minus cylinder
	} {
		v, ok := refraction(t, tt.sphere, tt.cylinder, tt.axis).PowerVector()
		require.True(t, ok)
		require.InDelta(t, tt.m, v.M, halfPlace)
		require.InDelta(t, tt.j0, v.J0, halfPlace)
		require.InDelta(t, tt.j45, v.J45, halfPlace)
		require.InDelta(t, tt.blur, v.Blur(), halfPlace)
	}
}

// Hand arithmetic: −3.00/−4.00×30 → −2.50/−2.50×45 is ΔM +1.250, ΔJ0 −1.000,
// ΔJ45 −0.482, as a lens +2.36/−2.22×103.
func TestChangeOfRefraction(t *testing.T) {
	before, _ := refraction(t, -3, -4, 30).PowerVector()
	after, _ := refraction(t, -2.5, -2.5, 45).PowerVector()
	change := after.Sub(before)
	require.InDelta(t, 1.250, change.M, 0.0005)
	require.InDelta(t, -1.000, change.J0, 0.0005)
	require.InDelta(t, -0.482, change.J45, 0.0005)
	sphere, cylinder, axis := change.Spherocylinder()
	require.InDelta(t, 2.36, sphere, 0.005)
	require.InDelta(t, -2.22, cylinder, 0.005)
	require.InDelta(t, 103, axis, 0.5)
}

// Axes wrap: the mean of 0/−1.00×5 and 0/−1.00×175 is −0.008/−0.985×180, not
// something at axis 90 (hand arithmetic: cos 10° = 0.9848).
func TestMeanAxisWraps(t *testing.T) {
	a, _ := refraction(t, 0, -1, 5).PowerVector()
	b, _ := refraction(t, 0, -1, 175).PowerVector()
	sphere, cylinder, axis := PowerVector{(a.M + b.M) / 2, (a.J0 + b.J0) / 2, (a.J45 + b.J45) / 2}.Spherocylinder()
	require.InDelta(t, -0.008, sphere, 0.0005)
	require.InDelta(t, -0.985, cylinder, 0.0005)
	require.InDelta(t, 180, axis, 1e-9)
}

func TestPowerVectorGoesBackToItsLens(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		sphere := rapid.Int32Range(-2000, 2000).Draw(rt, "sphere")
		cylinder := rapid.Int32Range(-1500, -25).Draw(rt, "cylinder")
		axis := rapid.Int32Range(1, 180).Draw(rt, "axis")
		r, err := NewRefraction(Steps(sphere), Steps(cylinder), Steps(axis))
		require.NoError(rt, err)
		v, ok := r.PowerVector()
		require.True(rt, ok)
		s, c, a := v.Spherocylinder()
		require.InDelta(rt, float64(sphere)/100, s, 1e-9)
		require.InDelta(rt, float64(cylinder)/100, c, 1e-9)
		require.InDelta(rt, float64(axis), a, 1e-6)
	})
}

func TestRefractionRefused(t *testing.T) {
	for _, tt := range []struct {
		sphere, cylinder, axis Steps
		says                   string
	}{
		{None, -100, 90, "without a sphere"},
		{None, None, 90, "without a sphere"},
		{-100, None, 90, "without a cylinder"},
		{-100, -100, None, "without an axis"},
		{-100, -100, 181, "between 0 and 180"},
		{-100, -100, -1, "between 0 and 180"},
	} {
		_, err := NewRefraction(tt.sphere, tt.cylinder, tt.axis)
		require.ErrorContains(t, err, tt.says)
	}
	r, err := NewRefraction(-100, -100, 0)
	require.NoError(t, err)
	require.Equal(t, int16(180), r.Axis, "axis 0 is stored as 180 (common practice)")
	r, err = NewRefraction(-100, 0, 45)
	require.NoError(t, err)
	require.Zero(t, r.Axis)
	r, err = NewRefraction(None, None, None)
	require.NoError(t, err)
	v, ok := r.PowerVector()
	require.False(t, ok)
	require.True(t, math.IsNaN(v.M))
}

// K = 337.5/r, keratometric index 1.3375 by convention; the quotients by hand.
func TestDioptresFromRadius(t *testing.T) {
	for mm, want := range map[float64]Steps{
		9.0: 3750, 8.5: 3971, 8.0: 4219, 7.8: 4327, 7.5: 4500, 7.03: 4801, 6.5: 5192, 6.0: 5625, 5.5: 6136, 5.0: 6750, 4.5: 7500,
		8.036: 4200, 7.031: 4800, 6.75: 5000, 6.368: 5300, 6.136: 5500, 5.819: 5800, 5.625: 6000, 4.821: 7001, 4.219: 7999, 3.75: 9000,
	} { // 337.5/4.821 = 70.006, 337.5/4.219 = 79.995
		got, err := DioptresFromRadius(mm)
		require.NoError(t, err)
		require.InDelta(t, float64(want), float64(got), 1, "%g mm", mm)
	}
	for _, mm := range []float64{2.7, 11.3, 0, -8, math.NaN(), math.Inf(1)} {
		_, err := DioptresFromRadius(mm)
		require.ErrorContains(t, err, "corneal radius")
	}
}

// Hand arithmetic: pre 44.00/48.00 @100, post 43.50/46.50 @95; the difference
// is 1.168 D of induced steepening at meridian 23.2°.
func TestCornealVector(t *testing.T) {
	pre, post := CornealVector(44, 48, 100), CornealVector(43.5, 46.5, 95)
	require.InDelta(t, 46.000, pre.M, 0.0005)
	require.InDelta(t, -1.879, pre.J0, 0.0005)
	require.InDelta(t, -0.684, pre.J45, 0.0005)
	require.InDelta(t, -1.477, post.J0, 0.0005)
	require.InDelta(t, -0.260, post.J45, 0.0005)
	d := post.Sub(pre)
	require.InDelta(t, 1.168, 2*math.Hypot(d.J0, d.J45), 0.001)
	require.InDelta(t, 23.2, math.Atan2(d.J45, d.J0)/2*180/math.Pi, 0.05)
}

// 3 mW/cm² for 30 min is 5.4 J/cm² (3·1800/1000); half on, half off gives half.
func TestFluence(t *testing.T) {
	require.InDelta(t, 5.4, FluenceOf(3, 1800, 1), 1e-12)
	require.InDelta(t, 5.4, FluenceOf(9, 600, 1), 1e-12)
	require.InDelta(t, 7.2, FluenceOf(30, 480, 0.5), 1e-12)
}
