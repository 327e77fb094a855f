package export_test

import (
	"bytes"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/cohort"
	"keratally/registry/democlinic"
	"keratally/registry/intake"
	"keratally/registry/pgstore"
	"keratally/registry/pgtest"
	"keratally/registry/snapshot"
	"keratally/registry/snapshot/snaptest"
	"keratally/reports"
	"keratally/reports/export"
	"keratally/stats"
	"keratally/stats/proportion"
	"keratally/stats/survival"
)

// interpreter returns the program, which CI has; elsewhere its absence is said.
func interpreter(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not on this machine: the script of the export cannot be compared with the report", name)
		}
		t.Skipf("%s is not on this machine: left out is the comparison of the export's script with the report", name)
	}
	return path
}

// said runs a script of an export written to a folder and returns what it
// printed, by key.
func said(t *testing.T, program, script string, files map[string][]byte) map[string]float64 {
	t.Helper()
	dir := t.TempDir()
	for name, content := range files {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), content, 0o644))
	}
	cmd := exec.CommandContext(t.Context(), program, filepath.Join(dir, script))
	cmd.Dir = t.TempDir() // the script finds its tables from anywhere
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	values := map[string]float64{}
	for line := range strings.Lines(string(out)) {
		key, text, ok := strings.Cut(strings.TrimSpace(line), "\t")
		if !ok {
			continue
		}
		x, err := strconv.ParseFloat(text, 64)
		require.NoError(t, err, "%s", line)
		values[key] = x
	}
	return values
}

// reported computes, from the cohort and not from the export, the figures that
// the scripts reproduce.
func reported(t *testing.T, o *snapshot.Outcomes) map[string]float64 {
	t.Helper()
	w, ok := o.Definitions.Windows.Find("month-12")
	require.True(t, ok)
	change, err := reports.NewChange(o, registry.Kmax.Quantity(), w)
	require.NoError(t, err)
	require.NoError(t, change.TErr)
	require.NoError(t, change.MeanErr)
	want := map[string]float64{
		"episodes": float64(len(o.Episodes)), "patients": float64(o.Patients()), "change_n": float64(len(change.Pairs.Change)),
		"change_mean": change.Delta.Mean.Estimate, "paired_t": change.PairedT.Stat, "paired_t_df": change.PairedT.DF, "paired_t_p": change.PairedT.P,
		"paired_t_lower": change.PairedT.Interval.Lower, "paired_t_upper": change.PairedT.Interval.Upper,
		"mixed_mean": change.Mean.Estimate, "mixed_se": change.Mean.SE, "mixed_df": change.Mean.DF, "mixed_p": change.Mean.P,
		"mixed_lower": change.Mean.Interval.Lower, "mixed_upper": change.Mean.Interval.Upper,
	}
	courses, err := o.Progression(o.Definitions.Progression[0])
	require.NoError(t, err)
	var d survival.Data
	for i := range courses {
		if c := &courses[i]; c.Assessed() {
			d.Time, d.Event, d.Cluster = append(d.Time, float64(c.Day)), append(d.Event, c.Progressed()), append(d.Cluster, int(c.Patient))
		}
	}
	curve, err := survival.KaplanMeier(d, survival.LogLog, 0.95)
	require.NoError(t, err)
	require.Greater(t, curve.Events, 4)
	for _, m := range []struct {
		name string
		day  float64
	}{{"free_month_12", 365}, {"free_month_24", 731}} { // 12·365.25/12 and 24·365.25/12 = 730.5, in whole days
		p := curve.At(m.day)
		require.Less(t, p.Survival, 1.0)
		want[m.name], want[m.name+"_lower"], want[m.name+"_upper"] = p.Survival, p.Lower, p.Upper
	}
	kinds, err := o.Complications()
	require.NoError(t, err)
	most, events := 0, 0
	for i := range kinds {
		if n, _, _, _ := kinds[i].Counts(); n > events {
			most, events = i, n
		}
	}
	treated, counts := map[string]int{}, map[string]*proportion.Count{}
	for e := range o.Episodes {
		p := o.ProtocolOf(e)
		if p == nil {
			continue
		}
		if treated[p.Code]++; counts[p.Code] == nil {
			counts[p.Code] = &proportion.Count{}
		}
		if kinds[most].AtRisk[e] {
			counts[p.Code].N++
		}
		if kinds[most].Event[e] != nil {
			counts[p.Code].Events++
		}
	}
	codes := slices.SortedFunc(maps.Keys(treated), func(x, y string) int { return treated[y] - treated[x] })
	require.True(t, len(codes) == 2 || treated[codes[1]] > treated[codes[2]], "no tie for the second most frequent protocol")
	a, b := *counts[codes[0]], *counts[codes[1]]
	fisher, err := proportion.FisherExact(proportion.TwoByTwo(a, b), stats.TwoSided)
	require.NoError(t, err)
	want["fisher_p"], want["fisher_n"], want["fisher_events"] = fisher.P, float64(a.N+b.N), float64(a.Events+b.Events)
	return want
}

// sameToSixDigits compares every figure that is wanted, bar those named.
func sameToSixDigits(t *testing.T, want, got map[string]float64, without ...string) {
	t.Helper()
	for key, x := range want {
		left := false
		for _, w := range without {
			left = left || strings.HasSuffix(key, w)
		}
		if left {
			continue
		}
		y, ok := got[key]
		require.True(t, ok, "%s is not printed: %v", key, got)
		require.LessOrEqual(t, math.Abs(y-x), 5e-7*math.Abs(x), "%s: %.10g, the report has %.10g", key, y, x)
	}
}

// R (base, survival, lme4, lmerTest), reading the export, gets the report's own
// figures to six digits: of a clinic in which the two eyes of a patient are alike,
// and of the demo.
func TestReadByR(t *testing.T) {
	program := interpreter(t, "Rscript")
	o, _ := outcomes(t)
	w, _ := o.Definitions.Windows.Find("month-12")
	change, err := reports.NewChange(o, registry.Kmax.Quantity(), w)
	require.NoError(t, err)
	require.Greater(t, change.Within, 0.05, "patients with two eyes that are alike, or the mixed model shows nothing")
	sameToSixDigits(t, reported(t, o), said(t, program, "analysis.R", filesOf(t, options(export.CSV))))

	demo, flow := demoOutcomes(t)
	sameToSixDigits(t, reported(t, demo), said(t, program, "analysis.R", written(t, demo, flow, options(export.CSV))))
}

// Python's standard library gets those it can: no degrees of freedom by
// Satterthwaite, no limits.
func TestReadByPython(t *testing.T) {
	program := interpreter(t, "python3")
	o, _ := outcomes(t)
	got := said(t, program, "analysis.py", filesOf(t, options(export.CSV)))
	sameToSixDigits(t, reported(t, o), got, "_lower", "_upper", "mixed_df", "mixed_p")
}

// demoOutcomes takes the invented clinic's spreadsheets in and freezes them.
func demoOutcomes(t *testing.T) (*snapshot.Outcomes, cohort.Flow) {
	t.Helper()
	last := snaptest.Day(t, "2026-09-30")
	store := pgstore.New(pgtest.New(t))
	files, err := democlinic.New(democlinic.Options{Eyes: 420, Seed: 2026, Last: last}).WriteFiles(t.TempDir())
	require.NoError(t, err)
	for _, f := range files {
		text, err := os.ReadFile(f.Mapping)
		require.NoError(t, err)
		mapping, err := intake.ParseMapping(text)
		require.NoError(t, err)
		content, err := os.ReadFile(f.Path)
		require.NoError(t, err)
		book, err := intake.Read(bytes.NewReader(content), int64(len(content)), filepath.Base(f.Path), mapping.File)
		require.NoError(t, err)
		_, err = intake.Take(t.Context(), store.NewIntake(), book, mapping, intake.Options{Today: last, Person: "demo", SHA256: export.Hash(content)})
		require.NoError(t, err)
	}
	snap, err := store.Snapshot(t.Context(), pgstore.Scope{CutOff: last})
	require.NoError(t, err)
	all, err := snap.Outcomes(registry.DefaultDefinitions())
	require.NoError(t, err)
	kept, flow, err := cohort.Everyone().Apply(all)
	require.NoError(t, err)
	require.Greater(t, len(kept.Episodes), 300)
	return kept, flow
}
