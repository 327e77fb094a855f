package reports_test

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"keratally/registry"
	"keratally/registry/cohort"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/registry/snapshot/snaptest"
	"keratally/reports"
	"keratally/reports/figure"
	"keratally/reports/workbook"
)

// manyEyes draws a registry of eyes with 8 visits each, two eyes in two of
// five patients, all measures filled.
func manyEyes(t testing.TB, eyes int) *snapshot.Snapshot {
	b := snaptest.New(t, "2026-09-30")
	s := b.S
	rng := rand.New(rand.NewPCG(1, 2))
	centre := b.Centre("N")
	for _, code := range []string{"A", "B", "C", "D"} {
		b.Protocol("N", registry.Protocol{Code: code, Version: 1, Name: "protocol " + code})
		b.Clinician("N", "S"+code)
	}
	word := func(w *snapshot.Words, text string) {
		if w.List == nil {
			w.List = []string{""}
			if text != "" {
				w.List = append(w.List, text)
			}
		}
		code := int32(0)
		if text != "" {
			code = 1
		}
		w.Code = append(w.Code, code)
	}
	days := []int{-20, 1, 7, 30, 91, 183, 365, 730}
	start := snaptest.Day(t, "2022-01-03")
	for eye := 0; eye < eyes; {
		p := int32(len(s.Patients.Code))
		s.Patients.Centre = append(s.Patients.Centre, centre)
		s.Patients.Code = append(s.Patients.Code, fmt.Sprintf("P%07d", p))
		word(&s.Patients.Sex, "female")
		s.Patients.BirthYear = append(s.Patients.BirthYear, int16(1985+rng.IntN(20)))
		for _, to := range []*[]registry.Trilean{&s.Patients.Atopy, &s.Patients.EyeRubbing, &s.Patients.FamilyHistory} {
			*to = append(*to, 0)
		}
		word(&s.Patients.Consent, "given")
		s.Patients.ConsentChangedOn = append(s.Patients.ConsentChangedOn, 0)
		s.Patients.DiedOn = append(s.Patients.DiedOn, 0)
		n := 1
		if rng.IntN(5) < 2 && eye+1 < eyes {
			n = 2
		}
		for k := range n {
			e := int32(len(s.Eyes.Patient))
			s.Eyes.Patient = append(s.Eyes.Patient, p)
			s.Eyes.Side = append(s.Eyes.Side, measure.Side(k+1))
			word(&s.Eyes.Diagnosis, "keratoconus")
			s.Eyes.ProgressionDocumented = append(s.Eyes.ProgressionDocumented, registry.Yes)
			on := start.Add(rng.IntN(1500))
			tr := &s.Treatments
			tr.Eye = append(tr.Eye, e)
			tr.Protocol = append(tr.Protocol, int32(rng.IntN(4)))
			tr.Clinician = append(tr.Clinician, int32(rng.IntN(4)))
			tr.On = append(tr.On, on)
			for _, to := range []*[]measure.Steps{&tr.IrradianceE2, &tr.ExposureS, &tr.PulseOnMs, &tr.PulseOffMs, &tr.FluenceE2, &tr.Interruptions, &tr.EpithelialZoneE2, &tr.HealingDays} {
				*to = append(*to, measure.None)
			}
			for i := range tr.Pachymetry {
				tr.Pachymetry[i] = append(tr.Pachymetry[i], measure.Steps(400+rng.IntN(80)))
			}
			word(&tr.Adjunct, "")
			for _, d := range days {
				if day := on.Add(d + rng.IntN(5)); day <= s.CutOff {
					v := &s.Visits
					v.Eye = append(v.Eye, e)
					v.On = append(v.On, day)
					for m := range v.Values {
						v.Values[m] = append(v.Values[m], plausible(registry.Measure(m), rng))
					}
					for a := range v.OffChart {
						v.OffChart[a] = append(v.OffChart[a], 0)
					}
					v.LensFreeDays = append(v.LensFreeDays, measure.None)
					word(&v.AcuityChart, "")
					word(&v.HazeScale, "")
					word(&v.Tomographer, "")
					word(&v.Camera, "")
				}
			}
			eye++
		}
	}
	if err := s.Freeze(); err != nil {
		t.Fatal(err)
	}
	return s
}

func plausible(m registry.Measure, rng *rand.Rand) measure.Steps {
	switch m {
	case registry.UDVA, registry.CDVA, registry.CLVA:
		return measure.Steps(20 * rng.IntN(40))
	case registry.K1:
		return measure.Steps(4400 + 10*rng.IntN(30))
	case registry.K2:
		return measure.Steps(4800 + 10*rng.IntN(40))
	case registry.Kmax:
		return measure.Steps(math.Round(5400+250*rng.NormFloat64())/10) * 10
	case registry.Thinnest:
		return measure.Steps(430 + rng.IntN(60))
	case registry.ApexThickness:
		return measure.Steps(490 + rng.IntN(30))
	case registry.Haze:
		return measure.Steps(5 * rng.IntN(4))
	case registry.ECD:
		return measure.Steps(2400 + rng.IntN(500))
	case registry.RefractionAxis, registry.SteepAxis:
		return measure.Steps(1 + rng.IntN(180))
	case registry.KmaxPosterior:
		return measure.Steps(700 + rng.IntN(200))
	}
	return measure.Steps(100 + rng.IntN(100))
}

func source(t testing.TB, s *snapshot.Snapshot) *reports.Source {
	all, err := s.Outcomes(registry.DefaultDefinitions())
	if err != nil {
		t.Fatal(err)
	}
	kept, flow, err := cohort.Everyone().Apply(all)
	if err != nil {
		t.Fatal(err)
	}
	return &reports.Source{Outcomes: kept, Flow: flow, Cohort: "every eye", From: snaptest.Day(t, "2026-07-01"), To: s.CutOff, Program: "test"}
}

// The whole audit of a frozen registry, with the share of time of each stage
// and the memory it took:
//
//	go test ./reports -run '^$' -bench Audit -benchtime 1x
func BenchmarkAudit(b *testing.B) {
	for _, eyes := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprintf("%d-eyes", eyes), func(b *testing.B) {
			s := manyEyes(b, eyes)
			runtime.GC()
			b.ResetTimer()
			for range b.N {
				clock := time.Now()
				stage := func(name string) {
					b.ReportMetric(time.Since(clock).Seconds(), name+"-s")
					clock = time.Now()
				}
				src := source(b, s)
				stage("cohort")
				audit, err := reports.NewAudit(src)
				if err != nil {
					b.Fatal(err)
				}
				stage("compute")
				doc, err := audit.Document()
				if err != nil {
					b.Fatal(err)
				}
				stage("lay-out")
				if err := workbook.WriteWith(io.Discard, doc, figure.PNG); err != nil {
					b.Fatal(err)
				}
				stage("workbook")
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				b.ReportMetric(float64(m.Sys)/(1<<20), "MiB-from-system")
			}
		})
	}
}
