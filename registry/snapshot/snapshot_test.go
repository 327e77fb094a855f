package snapshot_test

import (
	"bytes"
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/registry/snapshot/snaptest"
)

// small returns a registry of every kind of record whose rows are entered in
// the order of the permutations.
func small(t testing.TB, patients, visits []int) *snaptest.Builder {
	t.Helper()
	b := snaptest.New(t, "2022-12-31")
	eyes := map[string]int32{}
	sides := []measure.Side{measure.Right, measure.Left}
	for _, i := range patients {
		centre := []string{"B", "A"}[i%2]
		p := b.Patient(centre, registry.Patient{Code: fmt.Sprint("P", i), Sex: []string{"female", "male", ""}[i%3], BirthYear: int16(1990 + i), Atopy: registry.Yes})
		if i%2 == 1 {
			slices.Reverse(sides)
		}
		for _, side := range sides {
			e := b.Eye(p, side, "keratoconus")
			eyes[fmt.Sprint(i, side)] = e
			protocol := b.Protocol(centre, registry.Protocol{Code: fmt.Sprint("R", i%2), Version: 1, Name: "plan", Vehicle: "hpmc",
				Light: registry.Light{IrradianceE2: 900, ExposureS: 600, PulseOnMs: measure.None, PulseOff: measure.None, FluenceE2: 540}})
			treatment := b.Treat(e, "2021-03-01", protocol, b.Clinician(centre, "S1"))
			b.S.Treatments.Pachymetry[0][treatment] = measure.Steps(450 + i)
		}
	}
	for _, v := range visits {
		e := eyes[fmt.Sprint(v%4, measure.Right)]
		b.Visit(e, snaptest.Day(t, "2021-03-01").Add(30*v).String(), snaptest.Values{registry.Kmax: measure.Steps(5000 + v)}, func(visit *registry.Visit) {
			visit.Tomographer = fmt.Sprint("tomographer ", v%3)
			visit.Demarcations = []registry.Demarcation{{Zone: "central", Seen: "seen", DepthUm: measure.Steps(280 + v), ThicknessUm: measure.None}}
		})
	}
	b.Complication(eyes[fmt.Sprint(0, measure.Right)], "sterile-infiltrate", "2021-03-05", "mild")
	b.Surgery(eyes[fmt.Sprint(1, measure.Left)], "cataract", "2022-03-05")
	b.End(eyes[fmt.Sprint(2, measure.Left)], "2022-03-05", "moved")
	b.Query(eyes[fmt.Sprint(2, measure.Left)], "treatment", "2021-03-01", "fluence", "9", "unusual")
	return b
}

var inOrder = []int{0, 1, 2, 3}
var visitsInOrder = []int{0, 1, 2, 3, 4, 5, 6, 7}

func TestIdentityKnowsNoOrderOfEntry(t *testing.T) {
	want := small(t, inOrder, visitsInOrder).Freeze()
	rapid.Check(t, func(rt *rapid.T) {
		patients := rapid.Permutation(inOrder).Draw(rt, "patients")
		visits := rapid.Permutation(visitsInOrder).Draw(rt, "visits")
		got := small(t, patients, visits).Freeze()
		if diff := cmp.Diff(want, got); diff != "" {
			rt.Fatalf("(-in order +permuted)\n%s", diff)
		}
	})
}

// Every change of one value, one day or one name is another snapshot.
func TestIdentityChangesWithContent(t *testing.T) {
	seen := map[string]string{small(t, inOrder, visitsInOrder).Freeze().ID: "nothing"}
	for what, change := range map[string]func(s *snapshot.Snapshot){
		"cut-off":           func(s *snapshot.Snapshot) { s.CutOff = s.CutOff.Add(1) },
		"scope":             func(s *snapshot.Snapshot) { s.Scope = "eyes treated at A" },
		"centre name":       func(s *snapshot.Snapshot) { s.Centres[0].Name += "x" },
		"clinician name":    func(s *snapshot.Snapshot) { s.Clinicians[0].Name += "x" },
		"protocol":          func(s *snapshot.Snapshot) { s.Protocols[0].Light.ExposureS++ },
		"patient code":      func(s *snapshot.Snapshot) { s.Patients.Code[0] += "x" },
		"sex":               func(s *snapshot.Snapshot) { s.Patients.Sex.Code[0] = 0 },
		"birth year":        func(s *snapshot.Snapshot) { s.Patients.BirthYear[0]++ },
		"atopy":             func(s *snapshot.Snapshot) { s.Patients.Atopy[0] = registry.No },
		"diagnosis":         func(s *snapshot.Snapshot) { s.Eyes.Diagnosis.List[1] = "other" },
		"treatment day":     func(s *snapshot.Snapshot) { s.Treatments.On[0]++ },
		"pachymetry":        func(s *snapshot.Snapshot) { s.Treatments.Pachymetry[0][0]++ },
		"pachymetry step":   func(s *snapshot.Snapshot) { s.Treatments.Pachymetry[4][0] = 400 },
		"Kmax":              func(s *snapshot.Snapshot) { s.Visits.Values[registry.Kmax][0]++ },
		"Kmax not measured": func(s *snapshot.Snapshot) { s.Visits.Values[registry.Kmax][0] = measure.None },
		"off chart":         func(s *snapshot.Snapshot) { s.Visits.OffChart[1][0] = 1 },
		"tomographer":       func(s *snapshot.Snapshot) { s.Visits.Tomographer.Code[0] = 0 },
		"demarcation":       func(s *snapshot.Snapshot) { s.Demarcations.DepthUm[0]++ },
		"grade":             func(s *snapshot.Snapshot) { s.Complications.Grade.List[1] = "severe" },
		"surgery day":       func(s *snapshot.Snapshot) { s.Surgeries.On[0]++ },
		"end reason":        func(s *snapshot.Snapshot) { s.Ends.Reason.List[1] = "lost" },
		"query":             func(s *snapshot.Snapshot) { s.Queries.Value[0] = "10" },
	} {
		b := small(t, inOrder, visitsInOrder)
		change(b.S)
		id := b.Freeze().ID
		assert.NotContains(t, seen, id, "%s and %s have one identity", what, seen[id])
		seen[id] = what
	}
}

// What is entered later about later days leaves an earlier snapshot as it was.
func TestIdentityAtAnEarlierCutOff(t *testing.T) {
	want := small(t, inOrder, visitsInOrder).Freeze()
	b := small(t, inOrder, visitsInOrder)
	late := b.Eye(b.Patient("C", registry.Patient{Code: "P9"}), measure.Right, "pellucid")
	b.Treat(late, "2023-01-01", b.Protocol("C", registry.Protocol{Code: "new", Version: 1}), b.Clinician("C", "S9"))
	b.Visit(0, "2023-01-01", kmaxOf(6000), func(v *registry.Visit) {
		v.Demarcations = []registry.Demarcation{{Zone: "central", Seen: "not-seen", DepthUm: measure.None, ThicknessUm: measure.None}}
	})
	b.Surgery(0, "keratoplasty", "2023-01-02")
	b.Complication(0, "scar", "2023-01-02", "")
	b.S.Patients.DiedOn[0] = snaptest.Day(t, "2023-02-01")
	assert.Empty(t, cmp.Diff(want, b.Freeze(), cmpopts.EquateEmpty()))
}

func TestFileRoundTrip(t *testing.T) {
	want := small(t, inOrder, visitsInOrder).Freeze()
	var first, second bytes.Buffer
	require.NoError(t, want.Write(&first))
	require.NoError(t, small(t, []int{3, 1, 0, 2}, visitsInOrder).Freeze().Write(&second))
	assert.Equal(t, first.Bytes(), second.Bytes(), "the same content gives the same bytes")

	got, err := snapshot.Read(bytes.NewReader(first.Bytes()))
	require.NoError(t, err)
	assert.Empty(t, cmp.Diff(want, got, cmpopts.EquateEmpty()))

	empty := snaptest.New(t, "2022-12-31").Freeze()
	first.Reset()
	require.NoError(t, empty.Write(&first))
	got, err = snapshot.Read(&first)
	require.NoError(t, err)
	assert.Equal(t, empty.ID, got.ID)
}

// A file that was cut off anywhere, or in which any byte was changed, is
// refused: never read as something else.
func TestFileRefusesDamage(t *testing.T) {
	var file bytes.Buffer
	require.NoError(t, small(t, inOrder, visitsInOrder).Freeze().Write(&file))
	for size := range file.Len() {
		_, err := snapshot.Read(bytes.NewReader(file.Bytes()[:size]))
		require.Error(t, err, "cut off after %d bytes", size)
	}
	want, err := snapshot.Read(bytes.NewReader(file.Bytes()))
	require.NoError(t, err)
	for at := range file.Len() {
		damaged := slices.Clone(file.Bytes())
		damaged[at] ^= 0x10
		if got, err := snapshot.Read(bytes.NewReader(damaged)); err == nil {
			require.Empty(t, cmp.Diff(want, got, cmpopts.EquateEmpty()), "byte %d", at) // a bit that says nothing
		}
	}
}

func TestFreezeRefuses(t *testing.T) {
	for want, spoil := range map[string]func(b *snaptest.Builder){
		"cut-off":                  func(b *snaptest.Builder) { b.S.CutOff = 0 },
		"eye of a visit of row 0":  func(b *snaptest.Builder) { b.S.Visits.Eye[0] = 99 },
		"column kmax":              func(b *snaptest.Builder) { b.S.Visits.Values[registry.Kmax] = nil },
		"visit of one eye":         func(b *snaptest.Builder) { b.Visit(b.S.Visits.Eye[0], b.S.Visits.On[0].String(), nil, nil) },
		"treatment of one eye":     func(b *snaptest.Builder) { b.Treat(0, "2021-03-01", snapshot.Absent, snapshot.Absent) },
		"should have a visit on":   func(b *snaptest.Builder) { b.S.Demarcations.On[0]++ },
		"patient: rows":            func(b *snaptest.Builder) { b.S.Patients.Code[2] = b.S.Patients.Code[0] },
		"protocol of a treatment ": func(b *snaptest.Builder) { b.S.Treatments.Protocol[0] = -2 },
	} {
		b := small(t, inOrder, visitsInOrder)
		spoil(b)
		err := b.S.Freeze()
		require.Error(t, err, want)
		assert.Contains(t, err.Error(), want)
	}
}

// Every visit of an episode on a day that a window has lies in that window
// and no other, whatever the days.
func TestWindowsAreTotalAndDisjoint(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		days := rapid.SliceOfNDistinct(rapid.IntRange(-400, 5600), 0, 30, func(d int) int { return d }).Draw(rt, "days")
		b, eye := oneEye(t, "2040-12-31")
		day0 := snaptest.Day(t, "2020-01-01")
		for _, d := range days {
			b.Visit(eye, day0.Add(d).String(), kmaxOf(5000), nil)
		}
		o := b.Outcomes()
		in := map[int]int{}
		for w, window := range o.Windows() {
			from, to := o.WindowVisits(0, w)
			for v := from; v < to; v++ {
				day := o.Snapshot.Visits.On[v].Sub(day0)
				in[day]++
				if !window.Contains(day) {
					rt.Fatalf("day %d is not of %s", day, window.Label)
				}
			}
		}
		for _, d := range days {
			last := o.Windows()[len(o.Windows())-1].To
			want := 0
			if d > 0 && d <= last {
				want = 1 // the default set is contiguous from day 1
			}
			if in[d] != want {
				rt.Fatalf("day %d lies in %d windows, should in %d", d, in[d], want)
			}
		}
	})
}
