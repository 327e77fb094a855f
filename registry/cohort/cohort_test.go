package cohort_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/registry"
	"keratally/registry/cohort"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/registry/snapshot/snaptest"
)

const text = `
name = "accelerated"
title = "Keratoconus, accelerated protocols"

[[keep]]
diagnosis = ["keratoconus"]

[[keep]]
protocol = ["A10"]

[[keep]]
treated = { from = 2020-01-01, to = 2020-12-31 }

[[keep]]
age = { to = 40 }

[[keep]]
baseline = { measure = "kmax", from = 48.0, to = 58.0 }

[[keep]]
follow_up = { window = "month-12", measure = "kmax" }

[[keep]]
one_eye = { choose = "first-treated" }
`

// clinic returns eyes that leave the cohort of the text one criterion at a
// time, in its order; the last patient has two eyes that stay.
func clinic(t testing.TB) *snapshot.Outcomes {
	t.Helper()
	b := snaptest.New(t, "2022-12-31")
	a10 := b.Protocol("A", registry.Protocol{Code: "A10", Version: 1, Vehicle: "hpmc", Epithelium: "off", Pattern: "uniform"})
	s3 := b.Protocol("A", registry.Protocol{Code: "S3", Version: 1, Vehicle: "dextran", Epithelium: "off"})
	clinician := b.Clinician("A", "S1")
	for i, e := range []struct {
		diagnosis string
		protocol  int32
		on        string
		born      int16
		kmax      measure.Steps
		seen      string
	}{
		{"pellucid", a10, "2020-02-01", 1995, 5000, "2021-02-01"},
		{"", a10, "2020-02-01", 1995, 5000, "2021-02-01"}, // not recorded
		{"keratoconus", s3, "2020-02-01", 1995, 5000, "2021-02-01"},
		{"keratoconus", a10, "2021-01-01", 1995, 5000, "2022-01-01"},
		{"keratoconus", a10, "2020-02-01", 1979, 5000, "2021-02-01"},
		{"keratoconus", a10, "2020-02-01", 1995, 5801, "2021-02-01"},
		{"keratoconus", a10, "2020-02-01", 1995, measure.None, "2021-02-01"}, // not recorded
		{"keratoconus", a10, "2020-02-01", 1995, 4800, "2020-05-01"},
		{"keratoconus", a10, "2020-02-01", 1980, 5800, "2021-02-01"},
	} {
		p := b.Patient("A", registry.Patient{Code: fmt.Sprint("P", i), BirthYear: e.born})
		sides := []measure.Side{measure.Right}
		if i == 8 {
			sides = []measure.Side{measure.Left, measure.Right}
		}
		for k, side := range sides {
			eye := b.Eye(p, side, e.diagnosis)
			on := snaptest.Day(t, e.on).Add(k * 30)
			b.Treat(eye, on.String(), e.protocol, clinician)
			b.Visit(eye, on.String(), snaptest.Values{registry.Kmax: e.kmax}, nil)
			b.Visit(eye, e.seen, snaptest.Values{registry.Kmax: 5000}, nil)
		}
	}
	b.Treat(0, "2022-06-01", a10, clinician) // a second cross-linking of the first eye
	return b.Outcomes()
}

// Ten eyes of nine patients and eleven treatments, taken out by hand in the
// order of the text.
func TestFlow(t *testing.T) {
	c, err := cohort.Parse([]byte(text))
	require.NoError(t, err)
	left, flow, err := c.Apply(clinic(t))
	require.NoError(t, err)
	assert.Equal(t, cohort.Flow{
		{Words: "treated up to 31 Dec 2022", Episodes: 11, Eyes: 10, Patients: 9},
		{Words: "first cross-linking of the eye", Episodes: 10, Eyes: 10, Patients: 9},
		{Words: "diagnosis: keratoconus", Episodes: 8, Eyes: 8, Patients: 7, NotRecorded: 1},
		{Words: "protocol: A10", Episodes: 7, Eyes: 7, Patients: 6},
		{Words: "treated 1 Jan 2020 to 31 Dec 2020", Episodes: 6, Eyes: 6, Patients: 5},
		{Words: "age at treatment at most 40 years", Episodes: 5, Eyes: 5, Patients: 4},
		{Words: "baseline Kmax 48.00 to 58.00 D", Episodes: 3, Eyes: 3, Patients: 2, NotRecorded: 1},
		{Words: "Kmax measured at month 12", Episodes: 2, Eyes: 2, Patients: 1},
		{Words: "one eye per patient, the first treated", Episodes: 1, Eyes: 1, Patients: 1},
	}, flow)
	require.Len(t, left.Episodes, 1)
	assert.Equal(t, measure.Left, left.Snapshot.Eyes.Side[left.Episodes[0].Eye], "the left was treated 30 days before the right")
	assert.Contains(t, flow.String(), "diagnosis: keratoconus: 8 eyes of 7 patients (2 left out, 1 of them not recorded)\n")
}

func TestListCriteria(t *testing.T) {
	o := clinic(t)
	for _, tt := range []struct {
		keep string
		want int // of 10 first episodes
	}{
		{`vehicle = ["dextran"]`, 1}, {`vehicle = ["hpmc", "dextran"]`, 10}, {`epithelium = ["on"]`, 0}, {`pattern = ["uniform"]`, 9},
		{`centre = ["A"]`, 10}, {`clinician = ["S1"]`, 10}, {`clinician = ["S2"]`, 0}, {`sex = ["male"]`, 0},
		{`follow_up = { window = "month-3" }`, 1}, {`treated = { from = 2020-12-31 }`, 1}, {`age = { from = 40 }`, 3},
	} {
		c, err := cohort.Parse([]byte("name = \"one\"\n[[keep]]\n" + tt.keep))
		require.NoError(t, err, tt.keep)
		left, _, err := c.Apply(o)
		require.NoError(t, err, tt.keep)
		assert.Len(t, left.Episodes, tt.want, tt.keep)
	}
	all, _, err := cohort.Cohort{Name: "all", Episodes: "all"}.Apply(o)
	require.NoError(t, err)
	assert.Len(t, all.Episodes, 11)
}

func TestParseRefuses(t *testing.T) {
	for want, bad := range map[string]string{
		"should have a name":                         ``,
		"should be first or all":                     "name = \"x\"\nepisodes = \"last\"",
		"does not have":                              "name = \"x\"\n[[keep]]\nkmax = 3",
		"should have one criterion: found 0":         "name = \"x\"\n[[keep]]\n",
		"should have one criterion: found 2":         "name = \"x\"\n[[keep]]\nsex = [\"male\"]\ncentre = [\"A\"]",
		`sex "man": should be one of female`:         "name = \"x\"\n[[keep]]\nsex = [\"man\"]",
		"first or a last day, in that order":         "name = \"x\"\n[[keep]]\ntreated = { from = 2021-01-01, to = 2020-01-01 }",
		"age: should have a limit":                   "name = \"x\"\n[[keep]]\nage = { }",
		`measure "kmx": should be the key`:           "name = \"x\"\n[[keep]]\nbaseline = { measure = \"kmx\", from = 3.0 }",
		"should have a window":                       "name = \"x\"\n[[keep]]\nfollow_up = { measure = \"kmax\" }",
		"should be first-treated or drawn":           "name = \"x\"\n[[keep]]\none_eye = { choose = \"better\" }",
		"line 2, column":                             "name = \"x\"\nkeep =",
		"cohort x, keep 2: sex":                      "name = \"x\"\n[[keep]]\nage = { from = 3 }\n[[keep]]\nsex = [\"\"]",
		"baseline of kmax: should have a limit from": "name = \"x\"\n[[keep]]\nbaseline = { measure = \"kmax\", from = 3.0, to = 2.0 }",
	} {
		_, err := cohort.Parse([]byte(bad))
		require.Error(t, err, bad)
		assert.Contains(t, err.Error(), want)
	}
	c := cohort.Cohort{Name: "x", Keep: []cohort.Criterion{{FollowUp: &cohort.FollowUp{Window: "month-5"}}}}
	_, _, err := c.Apply(clinic(t))
	require.ErrorContains(t, err, `cohort x, keep 1: window "month-5": should be one of [day-1`)
}

func TestTextReadsBack(t *testing.T) {
	c, err := cohort.Parse([]byte(text))
	require.NoError(t, err)
	c = c.Treated(snaptest.Day(t, "2020-04-01"), 0)
	written, err := c.Text()
	require.NoError(t, err)
	again, err := cohort.Parse(written)
	require.NoError(t, err, string(written))
	assert.Equal(t, c, again)
	assert.Equal(t, "treated on or after 1 Apr 2020", again.Keep[0].String())
}

// criteria to draw from, every kind among them.
var criteria = []string{
	`diagnosis = ["keratoconus"]`, `protocol = ["A10"]`, `vehicle = ["hpmc"]`, `age = { from = 20, to = 41 }`,
	`treated = { to = 2020-12-31 }`, `baseline = { measure = "kmax", to = 58.0 }`, `follow_up = { window = "month-12" }`,
	`one_eye = { choose = "drawn", seed = 3 }`, `one_eye = { choose = "first-treated" }`,
}

// Whatever the criteria and their order, no step has more than the one before,
// and each patient of a drawn cohort has one episode.
func TestFlowNeverGrows(t *testing.T) {
	o := clinic(t)
	rapid.Check(t, func(rt *rapid.T) {
		source := "name = \"drawn\"\n"
		for _, keep := range rapid.SliceOfN(rapid.SampledFrom(criteria), 0, 6).Draw(rt, "keep") {
			source += "[[keep]]\n" + keep + "\n"
		}
		c, err := cohort.Parse([]byte(source))
		if err != nil {
			rt.Fatal(err)
		}
		left, flow, err := c.Apply(o)
		if err != nil {
			rt.Fatal(err)
		}
		for i, step := range flow {
			if i > 0 && (step.Episodes > flow[i-1].Episodes || step.Eyes > flow[i-1].Eyes || step.Patients > flow[i-1].Patients) {
				rt.Fatalf("step %d grows: %v", i, flow)
			}
			if step.Patients > step.Eyes || step.Eyes > step.Episodes {
				rt.Fatalf("step %d: more patients than eyes or eyes than episodes: %v", i, flow)
			}
		}
		if last := flow[len(flow)-1]; len(left.Episodes) != last.Episodes || left.Eyes() != last.Eyes || left.Patients() != last.Patients {
			rt.Fatalf("the flow ends with %v, the cohort has %d", last, len(left.Episodes))
		}
	})
}

// A draw is the same for the same seed, differs between seeds, and stays for a
// patient when other patients leave.
func TestDraw(t *testing.T) {
	b := snaptest.New(t, "2022-12-31")
	for i := range 200 {
		p := b.Patient("A", registry.Patient{Code: fmt.Sprintf("P%03d", i)})
		for _, side := range []measure.Side{measure.Right, measure.Left} {
			b.Treat(b.Eye(p, side, []string{"keratoconus", "pellucid"}[i%2]), "2020-01-01", snapshot.Absent, snapshot.Absent)
		}
	}
	o := b.Outcomes()
	drawn := func(seed uint64, before ...cohort.Criterion) map[int32]measure.Side {
		c := cohort.Cohort{Name: "drawn", Keep: append(before, cohort.Criterion{OneEye: &cohort.OneEye{Choose: cohort.Drawn, Seed: seed}})}
		left, _, err := c.Apply(o)
		require.NoError(t, err)
		sides := map[int32]measure.Side{}
		for _, e := range left.Episodes {
			sides[e.Patient] = o.Snapshot.Eyes.Side[e.Eye]
		}
		require.Len(t, sides, len(left.Episodes))
		return sides
	}
	seven := drawn(7)
	assert.Equal(t, seven, drawn(7))
	assert.NotEqual(t, seven, drawn(8))
	for patient, side := range drawn(7, cohort.Criterion{Diagnosis: []string{"pellucid"}}) {
		assert.Equal(t, seven[patient], side)
	}
	right := 0
	for _, side := range seven {
		if side == measure.Right {
			right++
		}
	}
	// Binomial(200, 1/2): 100 ± 4 standard deviations of √50 = 7.07.
	assert.InDelta(t, 100, right, 28.3)
}
