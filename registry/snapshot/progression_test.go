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

// Baseline Kmax is 50.00 in each case; the expected course follows from the
// rule read aloud: from day 137, at least 51.00, confirmed at the next visit.
func TestDefaultProgression(t *testing.T) {
	type at struct {
		day  int
		kmax measure.Steps
	}
	for _, tt := range []struct {
		name             string
		visits           []at
		graft            int // day of keratoplasty, 0 none
		status           snapshot.CourseStatus
		day, free, known int32
	}{
		{"stable", []at{{100, 5020}, {183, 4980}, {365, 5050}}, 0, snapshot.Stable, 365, 365, -1},
		{"confirmed", []at{{183, 5000}, {365, 5100}, {730, 5150}}, 0, snapshot.Confirmed, 365, 183, 365},
		{"a hundredth short", []at{{183, 5000}, {365, 5099}, {730, 5099}}, 0, snapshot.Stable, 730, 730, -1},
		{"not confirmed", []at{{183, 5100}, {365, 5050}}, 0, snapshot.Stable, 365, 365, -1},
		{"not confirmed, then confirmed", []at{{183, 5100}, {365, 5050}, {730, 5200}, {1096, 5210}}, 0, snapshot.Confirmed, 730, 365, 730},
		{"unconfirmed at the last visit", []at{{183, 5000}, {365, 5100}}, 0, snapshot.Unconfirmed, 365, 183, 365},
		{"the visit between measured nothing", []at{{183, 5100}, {365, measure.None}, {400, 5110}}, 0, snapshot.Confirmed, 183, 0, 183},
		{"early rise does not count", []at{{30, 5200}, {136, 5200}, {183, 5000}}, 0, snapshot.Stable, 183, 183, -1},
		{"from day 137", []at{{137, 5200}, {183, 5200}}, 0, snapshot.Confirmed, 137, 0, 137},
		{"keratoplasty first", []at{{183, 5000}}, 400, snapshot.Competing, 400, 183, -1},
		{"keratoplasty after progression", []at{{183, 5100}, {365, 5100}}, 400, snapshot.Confirmed, 183, 0, 183},
		{"no follow-up", nil, 0, snapshot.NoFollowUp, 0, 0, -1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b, eye := oneEye(t, "2026-12-31")
			day0 := snaptest.Day(t, "2020-01-01")
			b.Visit(eye, "2020-01-01", kmaxOf(5000), nil)
			for _, v := range tt.visits {
				b.Visit(eye, day0.Add(v.day).String(), kmaxOf(v.kmax), nil)
			}
			if tt.graft > 0 {
				b.Surgery(eye, "cataract", day0.Add(tt.graft).String()) // in the same session
				b.Surgery(eye, "keratoplasty", day0.Add(tt.graft).String())
			}
			o := b.Outcomes()
			courses, err := o.Progression(o.Definitions.Progression[0])
			require.NoError(t, err)
			want := snapshot.Course{Status: tt.status, Day: tt.day, Free: tt.free, Known: tt.known}
			assert.Equal(t, want, courses[0], courses[0].Status.String())
		})
	}
	t.Run("no baseline", func(t *testing.T) {
		b, eye := oneEye(t, "2026-12-31")
		b.Visit(eye, "2021-01-01", kmaxOf(5000), nil)
		o := b.Outcomes()
		courses, err := o.Progression(o.Definitions.Progression[0])
		require.NoError(t, err)
		assert.Equal(t, snapshot.NoBaseline, courses[0].Status)
		assert.False(t, courses[0].Assessed())
	})
}

// At least two of Kmax up 1 D, posterior Kmax up 0.3 D, thinnest down 5 %
// (450 µm: 22.5 µm, so 427 counts and 428 does not). A term whose measure is
// missing leaves the answer open unless the others settle it.
func TestCombinedRule(t *testing.T) {
	rule := registry.BuiltInProgression()[5]
	require.Equal(t, "two-of-three", rule.Name)
	base := snaptest.Values{registry.Kmax: 5000, registry.KmaxPosterior: 700, registry.Thinnest: 450}
	for _, tt := range []struct {
		name   string
		then   snaptest.Values
		status snapshot.CourseStatus
	}{
		{"two", snaptest.Values{registry.Kmax: 5100, registry.KmaxPosterior: 700, registry.Thinnest: 427}, snapshot.Unconfirmed},
		{"one", snaptest.Values{registry.Kmax: 5100, registry.KmaxPosterior: 700, registry.Thinnest: 428}, snapshot.Stable},
		{"two, third missing", snaptest.Values{registry.Kmax: 5100, registry.KmaxPosterior: 730}, snapshot.Unconfirmed},
		{"one, one missing: open", snaptest.Values{registry.Kmax: 5100, registry.Thinnest: 450}, snapshot.NoFollowUp},
		{"none, one missing: settled", snaptest.Values{registry.Kmax: 5000, registry.Thinnest: 450}, snapshot.Stable},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b, eye := oneEye(t, "2026-12-31")
			b.Visit(eye, "2020-01-01", base, nil)
			b.Visit(eye, "2021-01-01", tt.then, nil)
			courses, err := b.Outcomes().Progression(rule)
			require.NoError(t, err)
			assert.Equal(t, tt.status, courses[0].Status, courses[0].Status.String())
		})
	}
}

// A limit with a tolerance: CDVA 0.10 logMAR worse within 0.005 is 0.095 or
// more (0.5 D more-than rule: 0.50 itself does not count).
func TestTermLimits(t *testing.T) {
	for _, tt := range []struct {
		term   registry.Term
		m      registry.Measure
		before measure.Steps
		then   measure.Steps
		want   snapshot.CourseStatus
	}{
		{registry.Term{Quantity: "cdva", Direction: registry.Rises, By: 0.1, Within: 0.005}, registry.CDVA, 100, 195, snapshot.Confirmed},
		{registry.Term{Quantity: "cdva", Direction: registry.Rises, By: 0.1, Within: 0.005}, registry.CDVA, 100, 194, snapshot.Stable},
		{registry.Term{Quantity: "k1", Direction: registry.Rises, By: 0.5, MoreThan: true}, registry.K1, 4400, 4450, snapshot.Stable},
		{registry.Term{Quantity: "k1", Direction: registry.Rises, By: 0.5, MoreThan: true}, registry.K1, 4400, 4451, snapshot.Confirmed},
		{registry.Term{Quantity: "k1", Direction: registry.Changes, By: 0.5}, registry.K1, 4400, 4350, snapshot.Confirmed},
		{registry.Term{Quantity: "k1", Direction: registry.Falls, By: 0.5}, registry.K1, 4400, 4450, snapshot.Stable},
	} {
		b, eye := oneEye(t, "2026-12-31")
		b.Visit(eye, "2020-01-01", snaptest.Values{tt.m: tt.before}, nil)
		b.Visit(eye, "2021-01-01", snaptest.Values{tt.m: tt.then}, nil)
		rule := registry.DefaultProgression()
		rule.Condition, rule.Visits = registry.Condition{Term: &tt.term}, 1
		courses, err := b.Outcomes().Progression(rule)
		require.NoError(t, err)
		assert.Equal(t, tt.want, courses[0].Status, "%s from %d to %d", &tt.term, tt.before, tt.then)
	}
}

func counts(t *testing.T, o *snapshot.Outcomes, kind string) [4]int64 {
	t.Helper()
	all, err := o.Complications()
	require.NoError(t, err)
	for i := range all {
		if all[i].Kind.Key == kind {
			events, atRisk, followed, days := all[i].Counts()
			return [4]int64{int64(events), int64(atRisk), int64(followed), days}
		}
	}
	t.Fatalf("no kind %q", kind)
	return [4]int64{}
}

// Three eyes of three patients treated on 2020-01-01. P1: infiltrate on day 4
// (5 January), seen on day 91. P2: infiltrate on day 100, past the 90 days, seen
// on day 100. P3: last seen on day 10. By hand: 1 event of 3 treated; followed
// are P1 (event) and P2 (seen from day 61 on); days 4 + 90 + 10.
func TestRecordedComplications(t *testing.T) {
	b := snaptest.New(t, "2022-12-31")
	day0 := snaptest.Day(t, "2020-01-01")
	for _, eye := range []struct {
		code        string
		onset, seen int
	}{{"P1", 4, 91}, {"P2", 100, 100}, {"P3", 0, 10}} {
		e := b.Eye(b.Patient("A", registry.Patient{Code: eye.code}), measure.Right, "")
		b.Treat(e, "2020-01-01", snapshot.Absent, snapshot.Absent)
		b.Visit(e, day0.Add(eye.seen).String(), nil, nil)
		if eye.onset > 0 {
			b.Complication(e, "sterile-infiltrate", day0.Add(eye.onset).String(), "mild")
		}
	}
	o := b.Outcomes()
	assert.Equal(t, [4]int64{1, 3, 2, 104}, counts(t, o, "sterile-infiltrate"))
	assert.Equal(t, [4]int64{0, 3, 0, 201}, counts(t, o, "scar"), "nobody was seen from day 274 on; days 91 + 100 + 10")
}

// An event on the day of the next cross-linking is of the next episode.
func TestComplicationOnTheDayOfRetreatment(t *testing.T) {
	b, eye := oneEye(t, "2022-12-31")
	b.Treat(eye, "2020-03-01", snapshot.Absent, snapshot.Absent)
	b.Complication(eye, "dose-fault", "2020-03-01", "")
	b.Complication(eye, "unlisted", "2020-03-02", "")
	all, err := b.Outcomes().Complications()
	require.NoError(t, err)
	for _, c := range all {
		switch c.Kind.Key {
		case "dose-fault":
			assert.Nil(t, c.Event[0])
			require.NotNil(t, c.Event[1])
			assert.Equal(t, 0, c.Event[1].Day)
		case "unlisted":
			require.NotNil(t, c.Event[1])
			assert.Equal(t, 1, c.Event[1].Day)
		}
	}
	assert.Equal(t, "unlisted", all[len(all)-1].Kind.Key)
}

// One eye each. CDVA 0.10 to 0.30 on day 137: two lines lost. Haze 2 on day
// 365. ECD 2500 to 1999 with one camera: 20.04 % lost, 1999 with another camera
// is not compared. Kmax 60.00 to 55.00: over-flattening at 5 D.
func TestDerivedComplications(t *testing.T) {
	for _, tt := range []struct {
		kind         string
		before, then snaptest.Values
		day          int
		camera       string
		want         [4]int64
	}{
		{registry.AcuityLoss, snaptest.Values{registry.CDVA: 100}, snaptest.Values{registry.CDVA: 300}, 137, "", [4]int64{1, 1, 1, 137}},
		{registry.AcuityLoss, snaptest.Values{registry.CDVA: 100}, snaptest.Values{registry.CDVA: 300}, 136, "", [4]int64{0, 0, 0, 0}},
		{registry.AcuityLoss, snaptest.Values{registry.CDVA: 100}, snaptest.Values{registry.CDVA: 290}, 400, "", [4]int64{0, 1, 1, 400}},
		{registry.HazeAtYear, nil, snaptest.Values{registry.Haze: 20}, 365, "", [4]int64{1, 1, 1, 365}},
		{registry.HazeAtYear, nil, snaptest.Values{registry.Haze: 15}, 365, "", [4]int64{0, 1, 1, 365}},
		{registry.EndothelialLoss, snaptest.Values{registry.ECD: 2500}, snaptest.Values{registry.ECD: 1999}, 183, "", [4]int64{1, 1, 1, 183}},
		{registry.EndothelialLoss, snaptest.Values{registry.ECD: 2500}, snaptest.Values{registry.ECD: 2000}, 183, "", [4]int64{0, 1, 0, 183}},
		{registry.EndothelialLoss, snaptest.Values{registry.ECD: 2500}, snaptest.Values{registry.ECD: 1999}, 183, "other", [4]int64{0, 0, 0, 0}},
		{registry.OverFlattening, snaptest.Values{registry.Kmax: 6000}, snaptest.Values{registry.Kmax: 5500}, 365, "", [4]int64{1, 1, 1, 365}},
		{registry.OverFlattening, snaptest.Values{registry.Kmax: 6000}, snaptest.Values{registry.Kmax: 5501}, 365, "", [4]int64{0, 1, 1, 365}},
		{registry.Progressed, snaptest.Values{registry.Kmax: 5000}, snaptest.Values{registry.Kmax: 5100}, 365, "", [4]int64{1, 1, 1, 365}},
	} {
		b, eye := oneEye(t, "2026-12-31")
		b.Visit(eye, "2020-01-01", tt.before, nil)
		b.Visit(eye, snaptest.Day(t, "2020-01-01").Add(tt.day).String(), tt.then, func(v *registry.Visit) { v.EndothelialCamera = tt.camera })
		assert.Equal(t, tt.want, counts(t, b.Outcomes(), tt.kind), "%s, day %d, %v", tt.kind, tt.day, tt.then)
	}
}

// Treated on 2020-01-01 and seen on day 30 only, with the cut-off on day 150
// (2020-05-30): month 3 closed on day 136, 14 days ago; month 6 opened on day
// 137. An eye seen in the open window, or that left follow-up, is not asked back.
func TestRecalls(t *testing.T) {
	b, eye := oneEye(t, "2020-05-30")
	b.Visit(eye, "2020-01-31", kmaxOf(5000), nil)
	other := b.Eye(0, measure.Left, "")
	b.Treat(other, "2020-01-01", snapshot.Absent, snapshot.Absent)
	b.Visit(other, "2020-05-29", kmaxOf(5000), nil)
	gone := b.Eye(b.Patient("A", registry.Patient{Code: "P2"}), measure.Right, "")
	b.Treat(gone, "2020-01-01", snapshot.Absent, snapshot.Absent)
	b.End(gone, "2020-02-01", "moved")
	o := b.Outcomes()
	month3, _ := o.Definitions.Windows.Find("month-3")
	assert.Equal(t, []snapshot.Recall{{Episode: 0, LastVisit: snaptest.Day(t, "2020-01-31"), Window: month3, Missed: 1,
		DueOn: snaptest.Day(t, "2020-04-01"), Overdue: 14}}, o.Recalls(), "day 91 is 1 April")
}

func TestFaults(t *testing.T) {
	b, eye := oneEye(t, "2020-05-30")
	b.Visit(eye, "2020-01-01", snaptest.Values{registry.Kmax: 5000, registry.Thinnest: 450}, nil)
	b.Visit(eye, "2020-02-01", nil, nil)
	b.Query(eye, "visit", "2020-01-01", "kmax", "50.00", "unusual")
	var words []string
	for _, f := range b.Outcomes().Faults() {
		words = append(words, f.On.String()+" "+f.Record+" "+f.Field+": "+f.Words)
	}
	assert.Equal(t, []string{
		"2020-01-01 treatment protocol: no protocol: the treatment counts under none",
		"2020-01-01 treatment clinician: no clinician",
		"2020-01-01 treatment cdva: no baseline of CDVA in the 183 days up to treatment",
		"2020-01-01 visit kmax: unusual",
		"2020-02-01 visit : a visit at which nothing was measured",
	}, words)
}
