package power

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
)

// R 4.2.2: power.t.test(n = 25, delta = .5, sd = 1, type = "one.sample"),
// power.t.test(power = .9, delta = 1, tol = 1e-13) and
// power.t.test(power = .8, n = 40, sd = 1.2, delta = NULL, tol = 1e-13).
func TestTTestAgainstR(t *testing.T) {
	power, err := TTest{Design: OneSample, SD: 1, Alpha: 0.05}.Power(25, 0.5)
	require.NoError(t, err)
	require.InEpsilon(t, 0.66970136381252876, power, 1e-11)
	two := TTest{Design: TwoSample, SD: 1, Alpha: 0.05}
	n, err := two.SampleSize(0.9, 1)
	require.NoError(t, err)
	require.InEpsilon(t, 22.021095570093838, n, 1e-10)
	require.Equal(t, 23, Whole(n))
	// power.t.test(power = .5, delta = 10, sd = 1, tol = 1e-13)
	n, err = two.SampleSize(0.5, -10)
	require.NoError(t, err)
	require.InEpsilon(t, 1.498232500726, n, 1e-9)
	// power.t.test(n = 20, delta = -1, sd = 1) and power.t.test(n = 1.5, delta = 3, sd = 1)
	power, err = two.Power(20, -1)
	require.NoError(t, err)
	require.InEpsilon(t, 0.868952801692498, power, 1e-11)
	power, err = two.Power(1.5, 3)
	require.NoError(t, err)
	require.InEpsilon(t, 0.161616027323663, power, 1e-9)
	two.SD = 1.2
	delta, err := two.Detectable(40, 0.8)
	require.NoError(t, err)
	require.InEpsilon(t, 0.76115916351182311, delta, 1e-10)
}

// R 4.2.2: power.prop.test(n = 50, p1 = .5, p2 = .75, alternative =
// "one.sided"), power.prop.test(n = 10, p1 = .5, p2 = .55, strict = TRUE) and
// power.prop.test(power = .2, p1 = .5, p2 = .55, strict = TRUE, tol = 1e-13).
func TestProportionsAgainstR(t *testing.T) {
	power, err := Proportions{Alpha: 0.05, OneSided: true}.Power(50, 0.5, 0.75)
	require.NoError(t, err)
	require.InEpsilon(t, 0.83398352335542802, power, 1e-13)
	strict := Proportions{Alpha: 0.05, BothTails: true}
	power, err = strict.Power(10, 0.5, 0.55)
	require.NoError(t, err)
	require.InEpsilon(t, 0.055468926631493762, power, 1e-13)
	n, err := strict.SampleSize(0.2, 0.5, 0.55)
	require.NoError(t, err)
	require.InEpsilon(t, 248.3322448028089, n, 1e-10)
}

// R 4.2.2: power.anova.test(groups = 4, between.var = 1, within.var = 3,
// power = .8), whose root R finds to about five digits.
func TestANOVAAgainstR(t *testing.T) {
	n, err := ANOVA{Groups: 4, Between: 1, Within: 3, Alpha: 0.05}.SampleSize(0.8)
	require.NoError(t, err)
	require.InEpsilon(t, 11.926130957735547, n, 1e-5)
}

// By hand: pairs of eyes with correlation 0.6 carry 1.6 times the variance; two
// patients of one eye and one of two have Σm²/Σm = 6/4.
func TestDesignEffect(t *testing.T) {
	effect, err := DesignEffect([]int{2, 2, 2}, 0.6)
	require.NoError(t, err)
	require.InEpsilon(t, 1.6, effect, 1e-15)
	effect, err = DesignEffect([]int{1, 2, 1}, 0.5)
	require.NoError(t, err)
	require.InEpsilon(t, 1.25, effect, 1e-15)
	_, err = DesignEffect(nil, 0.5)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = DesignEffect([]int{0}, 0.5)
	require.Error(t, err)
	_, err = DesignEffect([]int{1}, 1.5)
	require.Error(t, err)

	plain := TTest{Design: TwoSample, SD: 1, Alpha: 0.05}
	clustered := plain
	clustered.DesignEffect = 1.6
	n, err := plain.SampleSize(0.8, 0.5)
	require.NoError(t, err)
	inflated, err := clustered.SampleSize(0.8, 0.5)
	require.NoError(t, err)
	require.InEpsilon(t, 1.6*n, inflated, 1e-10)
}

func TestRefusals(t *testing.T) {
	good := TTest{Design: Paired, SD: 1, Alpha: 0.05}
	for name, test := range map[string]func() error{
		"design":     func() error { _, err := TTest{SD: 1, Alpha: 0.05}.Power(10, 1); return err },
		"SD":         func() error { _, err := TTest{Design: Paired, Alpha: 0.05}.Power(10, 1); return err },
		"alpha":      func() error { _, err := TTest{Design: Paired, SD: 1}.Power(10, 1); return err },
		"n":          func() error { _, err := good.Power(1, 1); return err },
		"zero":       func() error { _, err := good.SampleSize(0.8, 0); return err },
		"power":      func() error { _, err := good.SampleSize(0.01, 1); return err },
		"proportion": func() error { _, err := Proportions{Alpha: 0.05}.Power(10, 0.1, 1.2); return err },
		"equal":      func() error { _, err := Proportions{Alpha: 0.05}.SampleSize(0.8, 0.1, 0.1); return err },
		"nothing":    func() error { _, err := Proportions{Alpha: 0.05}.Power(10, 0, 1); return err },
		"few":        func() error { _, err := Proportions{Alpha: 0.05}.Detectable(3, 0.9, 0.9); return err },
		"groups":     func() error { _, err := ANOVA{Groups: 1, Within: 1, Alpha: 0.05}.Power(10); return err },
		"no between": func() error { _, err := ANOVA{Groups: 3, Within: 1, Alpha: 0.05}.SampleSize(0.8); return err },
	} {
		var argument *stats.ArgumentError
		require.ErrorAs(t, test(), &argument, name)
	}
}

// Size and difference undo power; the power at no difference is alpha once both
// tails count; one observation more never hurts.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		test := TTest{
			Design: rapid.SampledFrom([]Design{OneSample, Paired, TwoSample}).Draw(t, "design"),
			SD:     rapid.Float64Range(0.1, 50).Draw(t, "sd"), Alpha: rapid.Float64Range(0.001, 0.2).Draw(t, "alpha"),
			OneSided: rapid.Bool().Draw(t, "one-sided"), BothTails: true,
		}
		wanted := rapid.Float64Range(0.3, 0.99).Draw(t, "power")
		delta := test.SD * rapid.Float64Range(0.05, 1.2).Draw(t, "delta")
		n, err := test.SampleSize(wanted, delta)
		require.NoError(t, err)
		got, err := test.Power(n, delta)
		require.NoError(t, err)
		if n > 1.001 {
			require.InDelta(t, wanted, got, 1e-9)
			back, err := test.Detectable(n, wanted)
			require.NoError(t, err)
			require.InEpsilon(t, delta, back, 1e-7)
		}
		more, err := test.Power(n+1, delta)
		require.NoError(t, err)
		require.Greater(t, more, got-1e-12)
		null, err := test.Power(n, 0)
		require.NoError(t, err)
		require.InDelta(t, test.Alpha, null, 1e-11)
	})
}
