package multiplicity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
)

var methods = map[string]func([]float64) ([]float64, error){
	"Bonferroni": Bonferroni, "Sidak": Sidak, "Holm": Holm, "HolmSidak": HolmSidak, "Hochberg": Hochberg,
	"Hommel": Hommel, "BenjaminiHochberg": BenjaminiHochberg, "BenjaminiYekutieli": BenjaminiYekutieli,
}

// By hand, from p = 0.01, 0.04, 0.03: Holm 3·0.01, then 2·0.03, then the same;
// Hochberg down from 0.04; Benjamini–Hochberg 3·0.01/1, 3·0.03/2, 3·0.04/3.
func TestAdjustedByHand(t *testing.T) {
	p := []float64{0.01, 0.04, 0.03}
	for name, want := range map[string][]float64{
		"Bonferroni":        {0.03, 0.12, 0.09},
		"Holm":              {0.03, 0.06, 0.06},
		"Hochberg":          {0.03, 0.04, 0.04},
		"BenjaminiHochberg": {0.03, 0.04, 0.04},
		"Sidak":             {1 - math.Pow(0.99, 3), 1 - math.Pow(0.96, 3), 1 - math.Pow(0.97, 3)},
		"HolmSidak":         {1 - math.Pow(0.99, 3), 1 - math.Pow(0.97, 2), 1 - math.Pow(0.97, 2)},
	} {
		got, err := methods[name](p)
		require.NoError(t, err)
		require.InDeltaSlice(t, want, got, 1e-15, name)
	}
	require.Equal(t, []float64{0.01, 0.04, 0.03}, p)
}

// R 4.2.2: p.adjust(p, "hommel") and p.adjust(p, "BY").
func TestAdjustedAgainstR(t *testing.T) {
	p := []float64{0.01, 0.04, 0.03, 0.005, 0.2, 0.011}
	hommel, err := Hommel(p)
	require.NoError(t, err)
	require.InDeltaSlice(t, []float64{0.04, 0.08, 0.06, 0.025, 0.2, 0.044}, hommel, 1e-15)
	by, err := BenjaminiYekutieli(p)
	require.NoError(t, err)
	require.InDeltaSlice(t, []float64{0.0539, 0.1176, 0.11025, 0.0539, 0.49, 0.0539}, by, 1e-15)
}

// By hand: at 0.05 Benjamini–Hochberg gives 0.004, 0.02, 0.2667, 0.9 and rejects
// two of four, so what is left is halved.
func TestTwoStageByHand(t *testing.T) {
	got, err := TwoStageBH([]float64{0.001, 0.01, 0.2, 0.9}, 0.05)
	require.NoError(t, err)
	require.InDeltaSlice(t, []float64{0.002, 0.01, 0.8 / 3 / 2, 0.45}, got, 1e-15)
	none, err := TwoStageBH([]float64{0.5, 0.9}, 0.05)
	require.NoError(t, err)
	require.Equal(t, []float64{0.9, 0.9}, none)
	_, err = TwoStageBH([]float64{0.5}, 0)
	require.Error(t, err)
}

func TestRefusals(t *testing.T) {
	for name, method := range methods {
		_, err := method(nil)
		require.ErrorIs(t, err, stats.ErrNoData, name)
		for _, bad := range []float64{-0.1, 1.1, math.NaN()} {
			_, err = method([]float64{0.5, bad})
			require.ErrorContains(t, err, "p value 2", name)
		}
		one, err := method([]float64{0.3})
		require.NoError(t, err)
		require.InDelta(t, 0.3, one[0], 1e-15, name)
	}
}

// Adjusting raises p values, keeps their order and the order of rows; Hommel is
// never above Hochberg, which is never above Holm, never above Bonferroni.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOfN(rapid.Float64Range(0, 1), 1, 25).Draw(t, "p")
		adjusted := map[string][]float64{}
		for name, method := range methods {
			a, err := method(p)
			require.NoError(t, err)
			adjusted[name] = a
			for i := range p {
				require.GreaterOrEqual(t, a[i], p[i]-1e-15, name)
				require.LessOrEqual(t, a[i], 1.0, name)
				for j := range p {
					if p[i] < p[j] {
						require.LessOrEqual(t, a[i], a[j], name)
					}
				}
			}
			backwards, err := method(reversed(p))
			require.NoError(t, err)
			require.InDeltaSlice(t, reversed(a), backwards, 1e-15, name)
		}
		for i := range p {
			require.LessOrEqual(t, adjusted["Hommel"][i], adjusted["Hochberg"][i]+1e-15)
			require.LessOrEqual(t, adjusted["Hochberg"][i], adjusted["Holm"][i]+1e-15)
			require.LessOrEqual(t, adjusted["Holm"][i], adjusted["Bonferroni"][i]+1e-15)
		}
	})
}

func reversed(x []float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[len(x)-1-i] = v
	}
	return out
}
