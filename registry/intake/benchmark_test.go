package intake_test

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/intake"
	"keratally/registry/pgstore"
	"keratally/registry/pgtest"
)

const millionMapping = `
name = "a million visits"
centre = "north"
[[sheet]]
shape = "visit"
[sheet.constants]
"visit.haze_scale" = "0 to 4"
[sheet.columns]
patient = "patient.code"
sex = "patient.sex"
birth_year = "patient.birth_year"
eye = "eye.side"
date = "visit.on"
udva = { field = "visit.udva", notation = "fraction" }
cdva = { field = "visit.cdva", notation = "fraction" }
sphere = "visit.sphere"
cylinder = "visit.cylinder"
axis = "visit.axis"
k1 = "visit.k1"
k2 = "visit.k2"
steep_axis = "visit.steep_axis"
kmax = "visit.kmax"
thinnest = "visit.thinnest"
iop = "visit.iop"
haze = "visit.haze"
ecd = "visit.ecd"
tomographer = "visit.tomographer"
`

const plainTable = `
	CREATE TABLE plain (
		patient text, sex text, birth_year integer, eye text, date date, udva text, cdva text, sphere float8, cylinder float8, axis integer,
		k1 float8, k2 float8, steep_axis integer, kmax float8, thinnest integer, iop float8, haze float8, ecd integer, tomographer text)`

// writeVisits writes invented visits, eight for each eye, two eyes for each
// patient.
func writeVisits(b *testing.B, path string, visits int) {
	b.Helper()
	f, err := os.Create(path)
	require.NoError(b, err)
	defer f.Close()
	w := bufio.NewWriterSize(f, 1<<20)
	fmt.Fprintln(w, "patient,sex,birth_year,eye,date,udva,cdva,sphere,cylinder,axis,k1,k2,steep_axis,kmax,thinnest,iop,haze,ecd,tomographer")
	rows := []string{"6/6", "6/7.5", "6/9", "6/12", "6/15", "6/18", "6/24", "6/36", "6/9-1", "6/12+2"}
	r := rand.New(rand.NewPCG(1, 2))
	first, err := registry.ParseISODate("2015-01-01")
	require.NoError(b, err)
	for i := 0; i < visits; i += 8 {
		eye := i / 8
		flat, steepest, from := 4200+r.IntN(500), 5200+r.IntN(700), first.Add(r.IntN(1200))
		for v := range min(8, visits-i) {
			k2 := flat + 50 + r.IntN(150)
			uncorrected := 4 + r.IntN(4)
			fmt.Fprintf(w, "P%06d,%s,%d,%s,%s,%s,%s,%.2f,%.2f,%d,%.2f,%.2f,%d,%.2f,%d,%d,%s,%d,T1\n",
				eye/2, []string{"female", "male"}[eye/2%2], 1975+eye/2%25, []string{"OD", "OS"}[eye%2], from.Add(v*170),
				rows[uncorrected], rows[r.IntN(uncorrected)], -0.25*float64(r.IntN(24)), -0.25*float64(1+r.IntN(20)), 1+r.IntN(180),
				float64(flat)/100, float64(k2)/100, 1+r.IntN(180), float64(steepest+r.IntN(200)-100)/100, 420+r.IntN(100),
				8+r.IntN(12), []string{"0", "0.5", "1"}[r.IntN(3)], 2000+r.IntN(1000))
		}
	}
	require.NoError(b, w.Flush())
}

// BenchmarkIntakeMillion takes a file of a million visits through every check
// into the final tables, and in the same run lets psql copy the same file into
// a plain table. It reports both times and their ratio, each the median of the
// runs; at most 4 is wanted, 2.5 is aimed at.
//
//	go test ./registry/intake -run '^$' -bench IntakeMillion -benchtime 3x
func BenchmarkIntakeMillion(b *testing.B) {
	if testing.Short() {
		b.Skip("a million visits take a quarter of a minute: run without -short")
	}
	psql, err := exec.LookPath("psql")
	require.NoError(b, err, "psql is the yardstick of this benchmark and should be on PATH")
	path := filepath.Join(b.TempDir(), "million.csv")
	writeVisits(b, path, 1_000_000)
	var ours, theirs []time.Duration
	memory := uint64(0)
	for b.Loop() {
		url := pgtest.URL(b)
		pool, err := pgxpool.New(b.Context(), url)
		require.NoError(b, err)
		_, err = pool.Exec(b.Context(), plainTable)
		require.NoError(b, err)
		start := time.Now()
		out, err := exec.Command(psql, url, "-qc", `\copy plain from '`+path+`' csv header`).CombinedOutput()
		require.NoError(b, err, string(out))
		theirs = append(theirs, time.Since(start))
		_, err = pool.Exec(b.Context(), "CHECKPOINT")
		require.NoError(b, err)
		start = time.Now()
		visits, used := takeFile(b, pgstore.New(pool), path)
		ours = append(ours, time.Since(start))
		require.Equal(b, 1_000_000, visits)
		memory = max(memory, used)
		pool.Close()
	}
	b.ReportMetric(median(ours).Seconds(), "s/intake")
	b.ReportMetric(median(theirs).Seconds(), "s/copy")
	b.ReportMetric(median(ours).Seconds()/median(theirs).Seconds(), "×copy")
	b.ReportMetric(float64(memory>>20), "MiB")
	b.ReportMetric(0, "ns/op")
}

func takeFile(b *testing.B, store *pgstore.Store, path string) (visits int, memory uint64) {
	b.Helper()
	m, err := intake.ParseMapping([]byte(millionMapping))
	require.NoError(b, err)
	f, err := os.Open(path)
	require.NoError(b, err)
	defer f.Close()
	info, err := f.Stat()
	require.NoError(b, err)
	book, err := intake.Read(f, info.Size(), path, m.File)
	require.NoError(b, err)
	today, err := registry.ParseISODate("2026-11-24")
	require.NoError(b, err)
	r, err := intake.Take(b.Context(), store.NewIntake(), book, m, intake.Options{Today: today, Person: "benchmark"})
	require.NoError(b, err)
	require.Empty(b, r.Refusals)
	var after runtime.MemStats
	runtime.ReadMemStats(&after)
	return r.New["visit"], after.Sys
}

func median(times []time.Duration) time.Duration {
	sorted := append([]time.Duration(nil), times...)
	for i := range sorted {
		for j := i; j > 0 && sorted[j] < sorted[j-1]; j-- {
			sorted[j], sorted[j-1] = sorted[j-1], sorted[j]
		}
	}
	return sorted[len(sorted)/2]
}
