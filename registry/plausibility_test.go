package registry

import (
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry/measure"
)

func TestWhatIsUsualIsPossible(t *testing.T) {
	for m, p := range PlausibleVisit {
		if p.Usual == (Range{}) {
			continue
		}
		hard := Measure(m).Info().Hard
		require.True(t, hard.Contains(p.Usual.Min) && hard.Contains(p.Usual.Max), Measure(m).String())
		require.Less(t, p.Usual.Min, p.Usual.Max)
	}
	for kind, columns := range plausibleParts {
		for key := range columns {
			_, ok := kind.ColumnOf(key)
			require.True(t, ok, "%s.%s", kind.Info().Key, key)
		}
	}
}

// Limits of common practice: a value on a limit is usual, one step beyond is
// asked about.
func TestDoubtsBeginBeyondTheLimits(t *testing.T) {
	for _, tt := range []struct {
		m     Measure
		value measure.Steps
		says  string
	}{
		{Kmax, 9000, ""}, {Kmax, 9001, "Kmax 90.01 is unusual: usually 42 to 90 D; extreme cones exceed 90 D"},
		{Thinnest, 300, ""}, {Thinnest, 299, "thinnest point 299 is unusual: usually 300 to 620 µm"},
		{CDVA, 1300, ""}, {CDVA, 1301, "CDVA 1.301 is unusual: usually -0.2 to 1.3 logMAR"},
		{ECD, 1500, ""}, {ECD, 1499, "ECD 1499 is unusual: usually 1500 to 4000 cells/mm²"},
	} {
		v := NewVisitPart(nil, 1)
		v.Values[tt.m] = tt.value
		doubts := v.Doubts(1<<tt.m, nil)
		if tt.says == "" {
			require.Empty(t, doubts)
			continue
		}
		require.Len(t, doubts, 1)
		require.Equal(t, tt.says, doubts[0].Message)
		require.Empty(t, v.Doubts(0, nil), "what was not given is not asked about again")
	}
}

func TestDoubtsBetweenMeasures(t *testing.T) {
	v := NewVisitPart(nil, 1)
	v.Values[UDVA], v.Values[CDVA] = 200, 300
	require.Empty(t, v.Doubts(1<<CDVA, nil), "0.1 worse is within a line")
	v.Values[CDVA] = 301
	require.Len(t, v.Doubts(1<<CDVA, nil), 1)
	a, b := NewVisitPart(nil, 100), NewVisitPart(nil, 465)
	a.Values[Kmax], b.Values[Kmax] = 5000, 5501
	require.Len(t, DoubtsBetween(&a, &b, nil), 1)
	b.On++
	require.Empty(t, DoubtsBetween(&a, &b, nil), "more than a year apart")
	b.On, b.Values[Kmax] = 465, 5500
	require.Empty(t, DoubtsBetween(&a, &b, nil))
}

// 9 mW/cm² for 600 s is 5.4 J/cm² (9·600/1000); 2 per cent of it is 0.108.
func TestFluenceIsComparedWithWhatIrradianceAndExposureGive(t *testing.T) {
	for fluence, doubted := range map[int32]bool{540: false, 550: false, 529: true, 551: true, 720: true} {
		p := NewPart(TreatmentRecord, nil)
		for key, n := range map[string]int32{"irradiance": 900, "exposure": 600, "fluence": fluence} {
			i, ok := TreatmentRecord.ColumnOf(key)
			require.True(t, ok)
			p.Values[i] = Value{Given: true, Num: n}
		}
		require.Equal(t, doubted, len(p.Doubts(1<<32-1, nil, nil)) > 0, "%d", fluence)
	}
}

// A treatment under a pulsed protocol that says nothing of pulses was given as
// planned: 30 mW/cm² for 480 s, half of it dark, is 7.2 J/cm² (30·480·0.5/1000).
func TestPulsesOfTheProtocolCount(t *testing.T) {
	set := func(p *Part, values map[string]int32) {
		for key, n := range values {
			i, ok := p.Kind.ColumnOf(key)
			require.True(t, ok)
			p.Values[i] = Value{Given: true, Num: n}
		}
	}
	treatment, plan := NewPart(TreatmentRecord, nil), NewPart(ProtocolRecord, nil)
	set(treatment, map[string]int32{"irradiance": 3000, "exposure": 480, "fluence": 720})
	require.Len(t, treatment.Doubts(1<<32-1, nil, nil), 1)
	set(plan, map[string]int32{"pulse_on": 1000, "pulse_off": 1000})
	require.Empty(t, treatment.Doubts(1<<32-1, plan, nil))
}

// A thin cornea before a swelling solution is what the solution is for; after
// it, and under a vehicle that thins, it is asked about.
func TestThinBeforeSwellingIsNotAskedAbout(t *testing.T) {
	text := func(p *Part, key, word string) {
		i, ok := p.Kind.ColumnOf(key)
		require.True(t, ok)
		p.Values[i] = Value{Given: true, Text: word}
	}
	for _, tt := range []struct {
		vehicle, step string
		asked         bool
	}{{"hypo-osmolar", "after-removal", false}, {"hypo-osmolar", "minimum", true}, {"dextran", "after-removal", true}} {
		plan, p := NewPart(ProtocolRecord, nil), NewPart(PachymetryRecord, nil)
		text(plan, "vehicle", tt.vehicle)
		text(p, "step", tt.step)
		i, ok := PachymetryRecord.ColumnOf("thickness")
		require.True(t, ok)
		p.Values[i] = Value{Given: true, Num: 380}
		require.Equal(t, tt.asked, len(p.Doubts(1<<32-1, plan, nil)) > 0, "%s, %s", tt.vehicle, tt.step)
	}
}
