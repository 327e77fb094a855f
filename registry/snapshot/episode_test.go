package snapshot_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/registry/snapshot/snaptest"
)

const kmax = registry.Quantity(registry.Kmax)

// oneEye returns a builder with a patient's right eye, treated on 1 Jan 2020.
func oneEye(t *testing.T, cutOff string) (b *snaptest.Builder, eye int32) {
	t.Helper()
	b = snaptest.New(t, cutOff)
	eye = b.Eye(b.Patient("A", registry.Patient{Code: "P1", Sex: "male", BirthYear: 1995, Consent: "given"}), measure.Right, "keratoconus")
	b.Treat(eye, "2020-01-01", snapshot.Absent, snapshot.Absent)
	return b, eye
}

func kmaxOf(steps measure.Steps) snaptest.Values { return snaptest.Values{registry.Kmax: steps} }

// Each expectation is read off the definition of an episode: it ends on the
// first of next cross-linking, outcome-changing surgery, death, withdrawal,
// cut-off. Days counted on the calendar: 2020-01-01 + 100 = 2020-04-10 (leap
// year: 31 + 29 + 31 + 9).
func TestEpisodeEnds(t *testing.T) {
	for _, tt := range []struct {
		name string
		add  func(b *snaptest.Builder, eye int32)
		last string
		end  snapshot.End
	}{
		{"cut-off", func(b *snaptest.Builder, eye int32) {}, "2022-12-31", snapshot.ByCutOff},
		{"next cross-linking", func(b *snaptest.Builder, eye int32) {
			b.Treat(eye, "2020-04-10", snapshot.Absent, snapshot.Absent)
		}, "2020-04-10", snapshot.ByTreatment},
		{"keratoplasty", func(b *snaptest.Builder, eye int32) { b.Surgery(eye, "keratoplasty", "2021-03-01") }, "2021-03-01", snapshot.BySurgery},
		{"the first of two operations", func(b *snaptest.Builder, eye int32) {
			b.Surgery(eye, "keratoplasty", "2021-03-01")
			b.Surgery(eye, "ring-segments", "2020-06-01")
		}, "2020-06-01", snapshot.BySurgery},
		{"surgery that does not change the outcome", func(b *snaptest.Builder, eye int32) { b.Surgery(eye, "other", "2020-06-01") }, "2022-12-31", snapshot.ByCutOff},
		{"surgery in the same session", func(b *snaptest.Builder, eye int32) { b.Surgery(eye, "laser-ablation", "2020-01-01") }, "2022-12-31", snapshot.ByCutOff},
		{"surgery and cross-linking on one day", func(b *snaptest.Builder, eye int32) {
			b.Treat(eye, "2020-04-10", snapshot.Absent, snapshot.Absent)
			b.Surgery(eye, "ring-segments", "2020-04-10")
		}, "2020-04-10", snapshot.BySurgery},
		{"death", func(b *snaptest.Builder, eye int32) { b.S.Patients.DiedOn[0] = snaptest.Day(t, "2020-05-05") }, "2020-05-05", snapshot.ByDeath},
		{"death as reason for leaving", func(b *snaptest.Builder, eye int32) { b.End(eye, "2020-05-06", "died") }, "2020-05-06", snapshot.ByDeath},
		{"withdrawal", func(b *snaptest.Builder, eye int32) {
			b.S.Patients.Consent = snapshot.Words{List: []string{"", "withdrawn"}, Code: []int32{1}}
			b.S.Patients.ConsentChangedOn[0] = snaptest.Day(t, "2020-07-01")
		}, "2020-07-01", snapshot.ByWithdrawal},
		{"withdrawal on an unknown day", func(b *snaptest.Builder, eye int32) {
			b.S.Patients.Consent = snapshot.Words{List: []string{"", "withdrawn"}, Code: []int32{1}}
		}, "2020-01-01", snapshot.ByWithdrawal},
		{"moved away, still due", func(b *snaptest.Builder, eye int32) { b.End(eye, "2020-05-06", "moved") }, "2022-12-31", snapshot.ByCutOff},
		{"surgery after the cut-off", func(b *snaptest.Builder, eye int32) { b.Surgery(eye, "keratoplasty", "2023-03-01") }, "2022-12-31", snapshot.ByCutOff},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b, eye := oneEye(t, "2022-12-31")
			tt.add(b, eye)
			o := b.Outcomes()
			assert.Equal(t, tt.last, o.Episodes[0].Last.String())
			assert.Equal(t, tt.end, o.Episodes[0].End, o.Episodes[0].End.String())
			assert.EqualValues(t, 1, o.Episodes[0].Number)
		})
	}
}

// Two treatments, the second on day 100: what is measured on that day is the
// last of the first episode and the baseline of the second.
func TestVisitsBelongToOneEpisode(t *testing.T) {
	b, eye := oneEye(t, "2022-12-31")
	b.Treat(eye, "2020-04-10", snapshot.Absent, snapshot.Absent)
	b.Visit(eye, "2019-12-01", kmaxOf(5000), nil)
	b.Visit(eye, "2020-04-10", kmaxOf(5100), nil) // day 100 of the first, day 0 of the second
	b.Visit(eye, "2020-07-10", kmaxOf(5050), nil) // day 91 of the second
	o := b.Outcomes()
	require.Len(t, o.Episodes, 2)
	assert.EqualValues(t, 2, o.Episodes[1].Number)

	month3, _ := o.Definitions.Windows.Find("month-3")
	first := o.At(0, month3, kmax)
	assert.Equal(t, 51.0, first.Number)
	assert.Equal(t, 100, first.Day)
	month6, _ := o.Definitions.Windows.Find("month-6")
	assert.False(t, o.At(0, month6, kmax).Measured(), "day 191 of the first treatment is after its end")
	assert.Equal(t, 51.0, o.Baseline(1, kmax).Number)
	assert.Equal(t, 50.5, o.At(1, month3, kmax).Number)
	assert.Equal(t, 50.0, o.Baseline(0, kmax).Number)
	assert.Equal(t, -31, o.Baseline(0, kmax).Day, "1 December to 1 January")
}

// The ends of the baseline: day 0 counts, 183 days count, 184 do not; each
// measure has its own last value.
func TestBaseline(t *testing.T) {
	day := snaptest.Day(t, "2020-01-01")
	for _, tt := range []struct {
		name  string
		days  []int // of visits with Kmax 50.00, 51.00 …
		want  float64
		found bool
	}{
		{"on the day of treatment", []int{0}, 50, true},
		{"183 days old", []int{-183}, 50, true},
		{"184 days old", []int{-184}, 0, false},
		{"the last of two", []int{-100, -20}, 51, true},
		{"after treatment", []int{1}, 0, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b, eye := oneEye(t, "2022-12-31")
			for i, at := range tt.days {
				b.Visit(eye, day.Add(at).String(), kmaxOf(measure.Steps(5000+100*i)), nil)
			}
			got := b.Outcomes().Baseline(0, kmax)
			assert.Equal(t, tt.found, got.Measured())
			if tt.found {
				assert.Equal(t, tt.want, got.Number)
			}
		})
	}
	t.Run("an earlier visit has what the last lacks", func(t *testing.T) {
		b, eye := oneEye(t, "2022-12-31")
		b.Visit(eye, "2019-12-01", snaptest.Values{registry.Kmax: 5200, registry.ECD: 2500}, nil)
		b.Visit(eye, "2020-01-01", snaptest.Values{registry.Kmax: 5300}, nil)
		o := b.Outcomes()
		assert.Equal(t, 53.0, o.Baseline(0, kmax).Number)
		assert.Equal(t, 2500.0, o.Baseline(0, registry.ECD.Quantity()).Number)
	})
}

// Month 6 runs from day 137 to 273 with target 183: days 173 and 193 are as
// close, so the earlier counts; a closer visit without the measure does not.
func TestWindowValue(t *testing.T) {
	day := snaptest.Day(t, "2020-01-01")
	for _, tt := range []struct {
		name string
		days map[int]measure.Steps
		want int // day, 0 for none
	}{
		{"first day", map[int]measure.Steps{137: 5000}, 137},
		{"last day", map[int]measure.Steps{273: 5000}, 273},
		{"the day before", map[int]measure.Steps{136: 5000}, 0},
		{"the day after", map[int]measure.Steps{274: 5000}, 0},
		{"closest", map[int]measure.Steps{140: 5000, 180: 5100, 250: 5200}, 180},
		{"tie", map[int]measure.Steps{173: 5000, 193: 5100}, 173},
		{"closest lacks it", map[int]measure.Steps{183: measure.None, 200: 5100}, 200},
		{"none", map[int]measure.Steps{183: measure.None}, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b, eye := oneEye(t, "2022-12-31")
			for at, x := range tt.days {
				b.Visit(eye, day.Add(at).String(), kmaxOf(x), nil)
			}
			o := b.Outcomes()
			month6, _ := o.Definitions.Windows.Find("month-6")
			got := o.At(0, month6, kmax)
			assert.Equal(t, tt.want > 0, got.Measured())
			if tt.want > 0 {
				assert.Equal(t, tt.want, got.Day)
				assert.Equal(t, tt.days[tt.want].Float(measure.DioptreUnit), got.Number)
			}
		})
	}
}

// Month 3 runs from day 61 (2020-03-02) to day 136 (2020-05-16).
func TestDue(t *testing.T) {
	for _, tt := range []struct {
		name, cutOff, surgery string
		due                   bool
	}{
		{"last day is the cut-off", "2020-05-16", "", true},
		{"last day is after the cut-off", "2020-05-15", "", false},
		{"ended on the first day", "2020-12-31", "2020-03-02", true},
		{"ended before it began", "2020-12-31", "2020-03-01", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b, eye := oneEye(t, tt.cutOff)
			if tt.surgery != "" {
				b.Surgery(eye, "keratoplasty", tt.surgery)
			}
			o := b.Outcomes()
			month3, _ := o.Definitions.Windows.Find("month-3")
			assert.Equal(t, tt.due, o.Due(0, month3))
			due, seen := o.Attendance(month3)
			assert.Equal(t, 0, seen)
			assert.Equal(t, tt.due, due == 1)
		})
	}
}

// Sphere −2.00, cylinder −3.00 at 90°: M = −3.50, J0 = −(−1.5)·cos 180° = −1.5,
// J45 = −(−1.5)·sin 180° = 0. K 44.00 and 47.50: mean 45.75, difference 3.50.
func TestDerivedQuantities(t *testing.T) {
	b, eye := oneEye(t, "2022-12-31")
	b.Visit(eye, "2020-01-01", snaptest.Values{registry.Sphere: -200, registry.Cylinder: -300, registry.RefractionAxis: 90, registry.K1: 4400, registry.K2: 4750}, nil)
	o := b.Outcomes()
	for q, want := range map[registry.Quantity]float64{
		registry.SphericalEquivalent: -3.5, registry.RefractiveJ0: -1.5, registry.RefractiveJ45: 0,
		registry.CylinderMagnitude: 3, registry.KMean: 45.75, registry.CornealAstigmatism: 3.5,
	} {
		assert.InDelta(t, want, o.Baseline(0, q).Number, 1e-12, q.String())
	}
}

// Decimal 0.5 to 0.8 is logMAR 0.301 to 0.097: −0.204, two lines gained. A
// change of 0.196 is a letter short of two lines less 0.004: within 0.005, two.
func TestPairsAndLines(t *testing.T) {
	b := snaptest.New(t, "2022-12-31")
	for _, cdva := range []struct {
		code         string
		before, then measure.Steps
	}{{"P1", 301, 97}, {"P2", 300, 104}, {"P3", 300, 106}, {"P4", 100, 300}, {"P5", 100, 100}} {
		eye := b.Eye(b.Patient("A", registry.Patient{Code: cdva.code}), measure.Left, "")
		b.Treat(eye, "2020-01-01", snapshot.Absent, snapshot.Absent)
		b.Visit(eye, "2020-01-01", snaptest.Values{registry.CDVA: cdva.before}, nil)
		b.Visit(eye, "2020-12-31", snaptest.Values{registry.CDVA: cdva.then}, nil)
	}
	o := b.Outcomes()
	month12, _ := o.Definitions.Windows.Find("month-12")
	p := o.Pairs(registry.CDVA.Quantity(), month12)
	assert.Equal(t, []float64{-0.204, -0.196, -0.194, 0.2, 0}, p.Change)
	assert.Equal(t, []int{2, 2, 1, -2, 0}, o.Lines(p))
	assert.Equal(t, []int32{365, 365, 365, 365, 365}, p.Day, "2020 is a leap year")
	assert.Equal(t, []int32{0, 1, 2, 3, 4}, p.Patient)
}

// Counting fingers has a stand-in in the default table (1.98), light
// perception none: the first is in the mean and counted, the second left out.
func TestOffChart(t *testing.T) {
	b := snaptest.New(t, "2022-12-31")
	for i, finding := range []measure.OffChart{measure.CountingFingers, measure.LightPerception} {
		eye := b.Eye(b.Patient("A", registry.Patient{Code: string(rune('a' + i))}), measure.Left, "")
		b.Treat(eye, "2020-01-01", snapshot.Absent, snapshot.Absent)
		b.Visit(eye, "2020-01-01", snaptest.Values{registry.CDVA: 1000}, nil)
		b.Visit(eye, "2020-12-31", nil, func(v *registry.Visit) { v.OffChart[registry.CDVA] = finding })
	}
	o := b.Outcomes()
	month12, _ := o.Definitions.Windows.Find("month-12")
	p := o.Pairs(registry.CDVA.Quantity(), month12)
	assert.Equal(t, []float64{0.98}, p.Change)
	assert.Equal(t, 1, p.StandIns)
	assert.Equal(t, 1, p.LeftOut)
	due, with := o.Completeness(registry.CDVA.Quantity(), month12)
	assert.Equal(t, 2, due)
	assert.Equal(t, 2, with, "a finding below the chart is not missing")
}
