package cohort

import (
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"

	"keratally/registry"
	"keratally/registry/snapshot"
)

// Step is what is left after a criterion.
type Step struct {
	Words                    string
	Episodes, Eyes, Patients int
	// NotRecorded is how many of the episodes that this step left out lack
	// what it asks for.
	NotRecorded int
}

// Flow is a cohort's way from the whole registry to its episodes, in the
// order of its criteria.
type Flow []Step

// String returns one line a step.
func (f Flow) String() string {
	var text []byte
	for i, s := range f {
		text = fmt.Appendf(text, "%s: %d eyes of %d patients", s.Words, s.Eyes, s.Patients)
		if s.Episodes != s.Eyes {
			text = fmt.Appendf(text, ", %d episodes", s.Episodes)
		}
		if i > 0 {
			text = fmt.Appendf(text, " (%d left out", f[i-1].Episodes-s.Episodes)
			if s.NotRecorded > 0 {
				text = fmt.Appendf(text, ", %d of them not recorded", s.NotRecorded)
			}
			text = append(text, ')')
		}
		text = append(text, '\n')
	}
	return string(text)
}

// answer is what a criterion says of an episode.
type answer int8

const (
	out answer = iota
	in
	notRecorded
)

// Apply returns the episodes of the cohort among those given, and the flow. A
// window or measure that the definitions do not have is an error.
func (c Cohort) Apply(o *snapshot.Outcomes) (*snapshot.Outcomes, Flow, error) {
	if err := c.Check(); err != nil {
		return nil, nil, err
	}
	left := make([]int32, len(o.Episodes))
	for e := range left {
		left[e] = int32(e)
	}
	flow := Flow{count(o, left, "treated up to "+o.Snapshot.CutOff.Long())}
	if c.Episodes != "all" {
		left, _ = filter(left, func(e int) answer { return is(o.Episodes[e].Number == 1) })
		flow = append(flow, count(o, left, "first cross-linking of the eye"))
	}
	for i := range c.Keep {
		k := &c.Keep[i]
		lost := 0
		if k.OneEye != nil {
			left = k.OneEye.pick(o, left)
		} else {
			ask, err := k.question(o)
			if err != nil {
				return nil, nil, fmt.Errorf("cohort %s, keep %d: %w", c.Name, i+1, err)
			}
			left, lost = filter(left, ask)
		}
		step := count(o, left, k.String())
		step.NotRecorded = lost
		flow = append(flow, step)
	}
	return o.Only(left), flow, nil
}

func filter(episodes []int32, ask func(e int) answer) (kept []int32, lost int) {
	kept = make([]int32, 0, len(episodes))
	for _, e := range episodes {
		switch ask(int(e)) {
		case in:
			kept = append(kept, e)
		case notRecorded:
			lost++
		}
	}
	return kept, lost
}

func count(o *snapshot.Outcomes, episodes []int32, words string) Step {
	eyes, patients := map[int32]struct{}{}, map[int32]struct{}{}
	for _, e := range episodes {
		eyes[o.Episodes[e].Eye] = struct{}{}
		patients[o.Episodes[e].Patient] = struct{}{}
	}
	return Step{Words: words, Episodes: len(episodes), Eyes: len(eyes), Patients: len(patients)}
}

func is(yes bool) answer {
	if yes {
		return in
	}
	return out
}

// question returns what the criterion asks of an episode.
func (k *Criterion) question(o *snapshot.Outcomes) (func(e int) answer, error) {
	for _, l := range k.lists() {
		if len(l.among) > 0 {
			return func(e int) answer { return among(l.among, k.textOf(o, e)) }, nil
		}
	}
	switch {
	case k.Treated != nil:
		return k.Treated.question(o)
	case k.Age != nil:
		return k.Age.question(o), nil
	case k.Baseline != nil:
		return k.Baseline.question(o), nil
	}
	return k.FollowUp.question(o)
}

// among answers for a text, "" being not recorded.
func among(list []string, text string) answer {
	if text == "" {
		return notRecorded
	}
	return is(slices.Contains(list, text))
}

// textOf returns the text of the episode that the criterion's list is about.
func (k *Criterion) textOf(o *snapshot.Outcomes, e int) string {
	s, one := o.Snapshot, &o.Episodes[e]
	switch {
	case k.Diagnosis != nil:
		return s.Eyes.Diagnosis.At(one.Eye)
	case k.Sex != nil:
		return s.Patients.Sex.At(one.Patient)
	case k.Centre != nil:
		return s.CentreOf(one.Eye).Code
	case k.Clinician != nil:
		if who := o.ClinicianOf(e); who != nil {
			return who.Code
		}
		return ""
	}
	p := o.ProtocolOf(e)
	switch {
	case p == nil:
		return ""
	case k.Protocol != nil:
		return p.Code
	case k.Vehicle != nil:
		return p.Vehicle
	case k.Epithelium != nil:
		return p.Epithelium
	}
	return p.Pattern
}

func (p *Period) question(o *snapshot.Outcomes) (func(e int) answer, error) {
	from, err := date(p.From)
	if err != nil {
		return nil, err
	}
	to, err := date(p.To)
	if err != nil {
		return nil, err
	}
	return func(e int) answer {
		day := o.Episodes[e].Day0
		return is(day >= from && (!to.IsValid() || day <= to))
	}, nil
}

func (a *Ages) question(o *snapshot.Outcomes) func(e int) answer {
	return func(e int) answer {
		years, ok := o.Age(e)
		if !ok {
			return notRecorded
		}
		return is((a.From == nil || years >= *a.From) && (a.To == nil || years <= *a.To))
	}
}

// tolerance is far below the last digit that any measure keeps, so a value
// equal to a limit is inside it.
const tolerance = 1e-9

func (b *Baseline) question(o *snapshot.Outcomes) func(e int) answer {
	q, _ := registry.ParseQuantity(b.Measure) // checked with the cohort
	return func(e int) answer {
		x := o.Baseline(e, q)
		if !x.IsValid() {
			return notRecorded
		}
		return is((b.From == nil || x.Number >= *b.From-tolerance) && (b.To == nil || x.Number <= *b.To+tolerance))
	}
}

func (f *FollowUp) question(o *snapshot.Outcomes) (func(e int) answer, error) {
	w, ok := o.Definitions.Windows.Find(f.Window)
	if !ok {
		var keys []string
		for _, one := range o.Windows() {
			keys = append(keys, one.Key)
		}
		return nil, fmt.Errorf("window %q: should be one of %v", f.Window, keys)
	}
	if f.Measure == "" {
		return func(e int) answer {
			from, to := o.WindowVisits(e, w)
			return is(to > from)
		}, nil
	}
	q, _ := registry.ParseQuantity(f.Measure)
	return func(e int) answer { return is(o.At(e, w, q).Measured()) }, nil
}

// pick returns one of the episodes of each patient, in the order of the list.
func (one *OneEye) pick(o *snapshot.Outcomes, episodes []int32) []int32 {
	byPatient := map[int32][]int32{}
	for _, e := range episodes {
		p := o.Episodes[e].Patient
		byPatient[p] = append(byPatient[p], e)
	}
	kept := make([]int32, 0, len(byPatient))
	for _, e := range episodes {
		p := o.Episodes[e].Patient
		if chosen := one.choose(o, p, byPatient[p]); chosen == e {
			kept = append(kept, e)
		}
	}
	return kept
}

// choose returns the episode of one patient that is kept. A draw depends on
// the seed and on the patient's codes only, so that it stays when others come.
func (one *OneEye) choose(o *snapshot.Outcomes, patient int32, episodes []int32) int32 {
	if one.Choose == FirstTreated {
		first := episodes[0]
		for _, e := range episodes[1:] {
			if o.Episodes[e].Day0 < o.Episodes[first].Day0 {
				first = e
			}
		}
		return first
	}
	s := o.Snapshot
	codes := fnv.New64a()
	codes.Write([]byte(s.Centres[s.Patients.Centre[patient]].Code))
	codes.Write([]byte{0})
	codes.Write([]byte(s.Patients.Code[patient]))
	codes.Write(binary.LittleEndian.AppendUint64(nil, one.Seed))
	draw := rand.New(rand.NewPCG(one.Seed, codes.Sum64()))
	return episodes[draw.IntN(len(episodes))]
}
