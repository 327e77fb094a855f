package democlinic

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"keratally/registry"
)

func last(t *testing.T) registry.Date {
	d, err := registry.ParseISODate("2026-09-30")
	require.NoError(t, err)
	return d
}

func meanSD(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	return mean, math.Sqrt(sd)
}

// The invented clinic is as large as it says, and its means and spreads lie
// where published series lie: Kmax 57.8 ± 7.1 and 56.4 ± 5.0 D, CDVA 0.3 ± 0.3
// logMAR (Soeters 2015), Kmax 58.7 ± 9.7 D (Tian 2020), change of Kmax at a year
// between −1.6 and 0.8 D (Hersh 2017, Brittingham 2014, Madeira 2019), ECD 2732
// ± 305 cells/mm² (healthy eyes, a Turkish series of 564).
func TestMeansLieInPublishedRanges(t *testing.T) {
	c := New(Options{Eyes: 420, Seed: 2026, Last: last(t)})
	require.Len(t, c.eyes, 420)
	require.InDelta(t, 300, len(c.patients), 30)
	var kmax, cdva, ecd, change, thin []float64
	for _, e := range c.eyes {
		kmax, cdva, ecd, thin = append(kmax, e.base.kmax), append(cdva, e.base.cdva), append(ecd, e.base.ecd), append(thin, e.base.thinnest)
		for _, v := range e.visits {
			if v.months == 12 {
				change = append(change, v.found.kmax-e.base.kmax)
			}
		}
	}
	for _, tt := range []struct {
		name                 string
		x                    []float64
		low, high, sdLo, sdH float64
	}{
		{"Kmax (D)", kmax, 53, 59, 4, 10},
		{"CDVA (logMAR)", cdva, 0.15, 0.40, 0.08, 0.35},
		{"ECD (cells/mm²)", ecd, 2400, 3000, 180, 400},
		{"thinnest (µm)", thin, 430, 490, 20, 50},
		{"change of Kmax at month 12 (D)", change, -1.6, 0.8, 0.7, 2.8},
	} {
		mean, sd := meanSD(tt.x)
		require.True(t, mean > tt.low && mean < tt.high, "%s: mean %.2f", tt.name, mean)
		require.True(t, sd > tt.sdLo && sd < tt.sdH, "%s: SD %.2f", tt.name, sd)
	}
}

// Thin corneas get the swelling solution, so protocols differ in whom they treat.
func TestConfoundedByIndication(t *testing.T) {
	c := New(Options{Eyes: 1000, Seed: 1, Last: last(t)})
	by := map[string][]float64{}
	for _, e := range c.eyes {
		by[e.protocol.code] = append(by[e.protocol.code], e.base.thinnest)
	}
	require.Len(t, by, 6)
	swelling, _ := meanSD(by["SWL"])
	standard, _ := meanSD(by["STD"])
	require.Less(t, swelling, standard-20)
}

// Two eyes of one patient are alike, but not the same.
func TestFellowEyesAreCorrelated(t *testing.T) {
	c := New(Options{Eyes: 2000, Seed: 3, Last: last(t)})
	var x, y []float64
	for _, p := range c.patients {
		if len(p.eyes) == 2 {
			x, y = append(x, p.eyes[0].base.kmax), append(y, p.eyes[1].base.kmax)
		}
	}
	mx, sx := meanSD(x)
	my, sy := meanSD(y)
	r := 0.0
	for i := range x {
		r += (x[i] - mx) * (y[i] - my) / float64(len(x)-1) / sx / sy
	}
	require.Greater(t, len(x), 400)
	require.InDelta(t, 0.38, r, 0.12, "0.39 for steep K in a large cohort (CLEK study, from its printed differences)")
}

// The same seed is the same clinic, cell by cell.
func TestSameSeedSameCells(t *testing.T) {
	write := func() map[string][][]string {
		files, err := New(Options{Eyes: 60, Seed: 9, Last: last(t)}).WriteFiles(t.TempDir())
		require.NoError(t, err)
		out := map[string][][]string{}
		for _, file := range files {
			if filepath.Ext(file.Path) == ".csv" {
				text, err := os.ReadFile(file.Path)
				require.NoError(t, err)
				out[file.What] = [][]string{{string(text)}}
				continue
			}
			f, err := excelize.OpenFile(file.Path)
			require.NoError(t, err)
			for _, sheet := range f.GetSheetList() {
				rows, err := f.GetRows(sheet)
				require.NoError(t, err)
				out[file.What+", "+sheet] = rows
			}
			require.NoError(t, f.Close())
		}
		return out
	}
	require.Equal(t, write(), write())
}
