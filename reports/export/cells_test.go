package export_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/cohort"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/registry/snapshot/snaptest"
	"keratally/reports/export"
)

// handful is eight patients, counted by hand. Treated in 2024 and born as below:
//
//	female, 20-24, keratoconus: born 2001, 2002, 2003 (ages 23, 22, 21)  → 3 patients, 4 eyes
//	male,   20-24, keratoconus: born 2004, 2004, 2003 (ages 20, 20, 21)  → 3 patients
//	male,   30-34, keratoconus: born 1994 (age 30)                      → 1 patient
//	male,   30-34, pellucid:    born 1992 (age 32)                      → 1 patient
func handful(t testing.TB) (*snapshot.Outcomes, cohort.Flow) {
	b := snaptest.New(t, "2026-01-01")
	for i, p := range []struct {
		sex       string
		born      int16
		diagnosis string
	}{{"female", 2001, "keratoconus"}, {"female", 2002, "keratoconus"}, {"female", 2003, "keratoconus"}, {"male", 2004, "keratoconus"}, {"male", 2004, "keratoconus"},
		{"male", 2003, "keratoconus"}, {"male", 1994, "keratoconus"}, {"male", 1992, "pellucid"}} {
		patient := b.Patient("A", registry.Patient{Code: string(rune('a' + i)), Sex: p.sex, BirthYear: p.born})
		b.Treat(b.Eye(patient, measure.Right, p.diagnosis), "2024-05-01", snapshot.Absent, snapshot.Absent)
		if i == 0 {
			b.Treat(b.Eye(patient, measure.Left, p.diagnosis), "2024-06-01", snapshot.Absent, snapshot.Absent)
		}
	}
	kept, flow, err := cohort.Everyone().Apply(b.Outcomes())
	require.NoError(t, err)
	return kept, flow
}

func handfulExport(t testing.TB, change func(o *export.Options)) *export.Export {
	kept, flow := handful(t)
	o := export.Options{Format: export.CSV, Ages: export.Bands, SmallCells: 3, Program: "9.9.9", Key: key}
	change(&o)
	e, err := export.New(kept, cohort.Everyone(), flow, o)
	require.NoError(t, err)
	return e
}

func TestSmallCellsByHand(t *testing.T) {
	e := handfulExport(t, func(*export.Options) {})
	require.Equal(t, 4, e.Groups)
	require.Equal(t, 1, e.Smallest)
	require.Equal(t, []string{
		"1 patient (1 episodes): sex male, age_band 30-34, diagnosis keratoconus, protocol missing",
		"1 patient (1 episodes): sex male, age_band 30-34, diagnosis pellucid, protocol missing",
	}, []string{e.Cells[0].String(), e.Cells[1].String()})
	var small *export.SmallCellsError
	require.ErrorAs(t, e.Releasable(), &small)
	require.ErrorContains(t, small, "2 groups of patients alike in sex, age, diagnosis and protocol have fewer than 3 patients")

	// A threshold of four makes all four groups small: patients count, not eyes.
	require.Len(t, handfulExport(t, func(o *export.Options) { o.SmallCells = 4 }).Cells, 4)
	require.NoError(t, handfulExport(t, func(o *export.Options) { o.SmallCells = 1 }).Releasable())
	require.NoError(t, handfulExport(t, func(o *export.Options) { o.Accept = true }).Releasable())

	// In years every age is a group of its own, but for two men of 20: seven.
	years := handfulExport(t, func(o *export.Options) { o.Ages = export.Years })
	require.Equal(t, 7, years.Groups)
	require.Len(t, years.Cells, 7)

	// The threshold of the definitions is five.
	require.Len(t, handfulExport(t, func(o *export.Options) { o.SmallCells = 0 }).Cells, 4)
}

// Blanking, by hand, with the threshold 2: the two men in their thirties are
// alone. Without ages they are a man with keratoconus and one with pellucid, still
// alone; without sex too; without a diagnosis they are two alike.
func TestSuppressionByHand(t *testing.T) {
	e := handfulExport(t, func(o *export.Options) { o.SmallCells, o.Suppress = 2, true })
	require.Equal(t, []export.Suppression{{Column: "age_band", Values: 2}, {Column: "sex", Values: 2}, {Column: "diagnosis", Values: 2}}, e.Suppressed)
	require.Empty(t, e.Cells)
	require.Equal(t, 3, e.Groups)
	require.NoError(t, e.Releasable())
	files, err := e.Files()
	require.NoError(t, err)
	for _, f := range files {
		if f.Name == "README.txt" {
			assert.Contains(t, string(f.Content), "Withheld: 2 values of diagnosis")
		}
		if f.Name == "codebook.csv" {
			assert.Contains(t, string(f.Content), "withheld because too few patients were alike")
		}
	}
	// With the threshold 3 the two stay a group of two and are left out: the seven
	// eyes of the six others are released.
	e = handfulExport(t, func(o *export.Options) { o.Suppress = true })
	require.NoError(t, e.Releasable())
	require.Equal(t, 2, e.LeftOut)
	require.Empty(t, e.Suppressed)
	require.Equal(t, 7, e.Table("episodes").Rows())
	require.Equal(t, 3, e.Smallest)
	// With the threshold 9 nobody is left.
	e = handfulExport(t, func(o *export.Options) { o.SmallCells, o.Suppress = 9, true })
	require.NoError(t, e.Releasable())
	require.Zero(t, e.Table("episodes").Rows())
}
