package dist

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// Every value in testdata/reference.csv was computed in 50-digit arithmetic by
// mpmath 1.3.0 (testdata/reference.py). Agreement is relative, tails included.
func TestAgainstFiftyDigits(t *testing.T) {
	functions := map[string]struct {
		at        func(a []float64) float64
		tolerance float64
	}{
		"NormalSF":       {func(a []float64) float64 { return NormalSF(a[0]) }, 2e-15},
		"NormalQuantile": {func(a []float64) float64 { return NormalQuantile(a[0]) }, 2e-15},
		"TSF":            {func(a []float64) float64 { return TSF(a[0], a[1]) }, 2e-13},
		"GammaLower":     {func(a []float64) float64 { return ChiSquaredCDF(2*a[0], 2*a[1]) }, 2e-13},
		"GammaUpper":     {func(a []float64) float64 { return ChiSquaredSF(2*a[0], 2*a[1]) }, 2e-13},
		"BetaCDF":        {func(a []float64) float64 { return BetaCDF(a[0], a[1], a[2]) }, 2e-13},
		"BetaSF":         {func(a []float64) float64 { return BetaSF(a[0], a[1], a[2]) }, 2e-13},
		"FSF":            {func(a []float64) float64 { return FSF(a[0], a[1], a[2]) }, 2e-13},
		"FCDF":           {func(a []float64) float64 { return FCDF(a[0], a[1], a[2]) }, 2e-13},
		"BinomialPMF":    {func(a []float64) float64 { return BinomialPMF(int(a[0]), int(a[1]), a[2]) }, 5e-13},
		"BinomialCDF":    {func(a []float64) float64 { return BinomialCDF(int(a[0]), int(a[1]), a[2]) }, 5e-13},
		"BinomialSF":     {func(a []float64) float64 { return BinomialSF(int(a[0]), int(a[1]), a[2]) }, 2e-13},
		"PoissonPMF":     {func(a []float64) float64 { return PoissonPMF(int(a[0]), a[1]) }, 5e-13},
		"PoissonCDF":     {func(a []float64) float64 { return PoissonCDF(int(a[0]), a[1]) }, 2e-13},
		"PoissonSF":      {func(a []float64) float64 { return PoissonSF(int(a[0]), a[1]) }, 2e-13},
		"HypergeometricPMF": {func(a []float64) float64 {
			return HypergeometricPMF(int(a[0]), int(a[1]), int(a[2]), int(a[3]))
		}, 2e-13},
		"HypergeometricCDF": {func(a []float64) float64 {
			return HypergeometricCDF(int(a[0]), int(a[1]), int(a[2]), int(a[3]))
		}, 2e-13},
		"HypergeometricSF": {func(a []float64) float64 {
			return HypergeometricSF(int(a[0]), int(a[1]), int(a[2]), int(a[3]))
		}, 2e-13},
		"NoncentralTSF":  {func(a []float64) float64 { return NoncentralTSF(a[0], a[1], a[2]) }, 1e-12},
		"NoncentralTCDF": {func(a []float64) float64 { return NoncentralTCDF(a[0], a[1], a[2]) }, 1e-12},
		"NoncentralFSF":  {func(a []float64) float64 { return NoncentralFSF(a[0], a[1], a[2], a[3]) }, 1e-12},
		"NoncentralFCDF": {func(a []float64) float64 { return NoncentralFCDF(a[0], a[1], a[2], a[3]) }, 1e-12},
		"TukeySF":        {func(a []float64) float64 { return TukeySF(a[0], int(a[1]), a[2]) }, 1e-10},
	}
	file, err := os.Open("testdata/reference.csv")
	require.NoError(t, err)
	defer file.Close()
	reader := csv.NewReader(file)
	reader.FieldsPerRecord = -1
	rows, err := reader.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 500)
	worst := map[string]float64{}
	for _, row := range rows {
		function, known := functions[row[0]]
		require.True(t, known, row[0])
		want, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		var arguments []float64
		for _, text := range row[2:] {
			v, err := strconv.ParseFloat(text, 64)
			require.NoError(t, err)
			arguments = append(arguments, v)
		}
		got := function.at(arguments)
		off := math.Abs(got - want)
		if want != 0 {
			off /= math.Abs(want)
		}
		worst[row[0]] = math.Max(worst[row[0]], off)
		if !(off <= function.tolerance) {
			t.Errorf("%s%v = %.17g, want %.17g (relative %.2g)", row[0], arguments, got, want, off)
		}
	}
	for name, off := range worst {
		t.Logf("%-18s worst %.1e", name, off)
	}
}
