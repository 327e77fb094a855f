package reports

import (
	"fmt"
	"slices"

	"keratally/registry"
	"keratally/registry/cohort"
	"keratally/registry/snapshot"
)

// Source is what a report is made from: a frozen cohort, the way it was cut,
// and the period that is reported on. The same source gives the same report.
type Source struct {
	Outcomes   *snapshot.Outcomes
	Flow       cohort.Flow
	Cohort     string // in words
	From, To   registry.Date
	PeriodName string // "third quarter of 2026"; "" prints the days
	Program    string
	Seed       string
	Targets    []Target
}

// provenance returns what is printed on every sheet.
func (s *Source) provenance() Provenance {
	p := Provenance{CutOff: s.Outcomes.Snapshot.CutOff, Snapshot: s.Outcomes.Snapshot.ID, Program: s.Program, Seed: s.Seed, Cohort: s.Cohort}
	for _, d := range s.Outcomes.Definitions.All() {
		p.Definitions = append(p.Definitions, fmt.Sprintf("%s: %s", d.DefinitionKind(), d.DefinitionStamp()))
	}
	return p
}

// period prints the reporting period.
func (s *Source) period() string {
	days := s.From.Long() + " to " + s.To.Long()
	if s.PeriodName == "" {
		return days
	}
	return s.PeriodName + " (" + days + ")"
}

// eyeCode is how a report names an eye: patient code and side, never a name.
func (s *Source) eyeCode(eye int32) string {
	snap := s.Outcomes.Snapshot
	return snap.Patients.Code[snap.Eyes.Patient[eye]] + " " + snap.Eyes.Side[eye].String()
}

func (s *Source) centreCode(eye int32) string { return s.Outcomes.Snapshot.CentreOf(eye).Code }

// protocolCode and clinicianCode name an episode's group; the empty ones have
// a name too, so that no episode drops out of a table by groups.
func (s *Source) protocolCode(e int) string {
	if p := s.Outcomes.ProtocolOf(e); p != nil {
		return p.Code
	}
	return notRecorded
}

func (s *Source) clinicianName(e int) string {
	if c := s.Outcomes.ClinicianOf(e); c != nil {
		if c.Name != "" && c.Name != c.Code {
			return c.Name
		}
		return c.Code
	}
	return notRecorded
}

const notRecorded = "not recorded"

// groups sorts the episodes by a name: the names in bytewise order, "not
// recorded" last, with the episodes of each.
type group struct {
	name     string
	episodes []int32
}

func (s *Source) groups(name func(e int) string) []group {
	at := map[string]int{}
	var out []group
	for e := range s.Outcomes.Episodes {
		n := name(e)
		i, ok := at[n]
		if !ok {
			i = len(out)
			at[n] = i
			out = append(out, group{name: n})
		}
		out[i].episodes = append(out[i].episodes, int32(e))
	}
	slices.SortFunc(out, func(a, b group) int {
		if (a.name == notRecorded) != (b.name == notRecorded) {
			if a.name == notRecorded {
				return 1
			}
			return -1
		}
		if a.name < b.name {
			return -1
		}
		return 1
	})
	return out
}

// reported returns the windows in which at least one episode is due or has a
// visit: the ones that a table has rows for.
func (s *Source) reported() []int {
	var out []int
	for w := range s.Outcomes.Windows() {
		if due, seen := s.Outcomes.Attendance(w); due > 0 || seen > 0 || s.anyVisit(w) {
			out = append(out, w)
		}
	}
	return out
}

func (s *Source) anyVisit(w int) bool {
	for e := range s.Outcomes.Episodes {
		if from, to := s.Outcomes.WindowVisits(e, w); to > from {
			return true
		}
	}
	return false
}

// formatOf returns how a quantity is printed.
func formatOf(q registry.Quantity) Format {
	switch q.Info().Unit.Shown() {
	case 0:
		return Whole
	case 1:
		return OneDec
	}
	return TwoDec
}

// heading returns "Kmax (D)"; a quantity without a unit has none in brackets.
func heading(q registry.Quantity) string {
	info := q.Info()
	if u := info.Unit.Symbol(); u != "" {
		return info.Label + " (" + u + ")"
	}
	return info.Label
}
