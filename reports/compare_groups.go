package reports

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"keratally/registry"
	"keratally/registry/snapshot"
)

// dimension is a way of sorting episodes into groups.
type dimension struct {
	// name is the group of an episode where no groups were asked for.
	name func(s *Source, e int) string
	// members returns which of the named groups an episode belongs to, −1 for
	// none.
	members func(s *Source, names []string) (func(e int) int, error)
}

var dimensions = map[string]dimension{
	"protocol":   {func(s *Source, e int) string { return s.protocolCode(e) }, byName((*Source).protocolCode)},
	"vehicle":    {func(s *Source, e int) string { return s.planned(e, vehicleOf) }, byName(func(s *Source, e int) string { return s.planned(e, vehicleOf) })},
	"epithelium": {func(s *Source, e int) string { return s.planned(e, epitheliumOf) }, byName(func(s *Source, e int) string { return s.planned(e, epitheliumOf) })},
	"clinician":  {func(s *Source, e int) string { return s.clinicianName(e) }, clinicians},
	"centre":     {func(s *Source, e int) string { return s.centreCode(s.Outcomes.Episodes[e].Eye) }, byName(func(s *Source, e int) string { return s.centreCode(s.Outcomes.Episodes[e].Eye) })},
	"period":     {func(s *Source, e int) string { return strconv.Itoa(s.Outcomes.Episodes[e].Day0.Time().Year()) }, periods},
}

// Dimensions lists what a comparison can be by.
func Dimensions() []string {
	return []string{"protocol", "vehicle", "epithelium", "clinician", "centre", "period"}
}

func vehicleOf(p *snapshot.Protocol) string    { return p.Vehicle }
func epitheliumOf(p *snapshot.Protocol) string { return p.Epithelium }

// planned returns a property of the protocol of an episode.
func (s *Source) planned(e int, of func(*snapshot.Protocol) string) string {
	if p := s.Outcomes.ProtocolOf(e); p != nil && of(p) != "" {
		return of(p)
	}
	return notRecorded
}

func byName(name func(*Source, int) string) func(*Source, []string) (func(int) int, error) {
	return func(s *Source, names []string) (func(int) int, error) {
		return func(e int) int { return slices.Index(names, name(s, e)) }, nil
	}
}

// clinicians finds people by name or by code. A code that two people of two
// centres have must be written centre/code.
func clinicians(s *Source, names []string) (func(int) int, error) {
	snap := s.Outcomes.Snapshot
	group := make([]int, len(snap.Clinicians))
	for i := range group {
		group[i] = -1
	}
	for g, name := range names {
		var found []string
		for i, who := range snap.Clinicians {
			full := snap.Centres[who.Centre].Code + "/" + who.Code
			if name == who.Name || name == who.Code || name == full {
				group[i] = g
				found = append(found, full)
			}
		}
		if len(found) > 1 && !sameName(snap, name) {
			return nil, fmt.Errorf("clinician %q: several have this code: should be one of %s", name, strings.Join(found, ", "))
		}
	}
	return func(e int) int {
		t := s.Outcomes.Episodes[e].Treatment
		if who := snap.Treatments.Clinician[t]; who != snapshot.Absent {
			return group[who]
		}
		return slices.Index(names, notRecorded)
	}, nil
}

// sameName reports whether a name is that of a person, and not a code: one
// person may be listed by several centres.
func sameName(snap *snapshot.Snapshot, name string) bool {
	return slices.ContainsFunc(snap.Clinicians, func(c snapshot.Clinician) bool { return c.Name == name && c.Code != name })
}

var (
	yearForm    = regexp.MustCompile(`^\d{4}$`)
	quarterForm = regexp.MustCompile(`^(\d{4})-?[Qq]([1-4])$`)
)

// span is a period of treatment, both days included.
type span struct{ from, to registry.Date }

// parseSpan reads a year (2025), a quarter (2025Q3) or two days
// (2025-01-15/2025-06-30).
func parseSpan(text string) (span, error) {
	year := func(y int, first time.Month, months int) span {
		start := time.Date(y, first, 1, 0, 0, 0, 0, time.UTC)
		return span{registry.DateOf(start), registry.DateOf(start.AddDate(0, months, -1))}
	}
	if yearForm.MatchString(text) {
		y, err := strconv.Atoi(text)
		return year(y, time.January, 12), err
	}
	if m := quarterForm.FindStringSubmatch(text); m != nil {
		y, err := strconv.Atoi(m[1])
		q := int(m[2][0] - '0')
		return year(y, time.Month(3*q-2), 3), err
	}
	if first, last, ok := strings.Cut(text, "/"); ok {
		from, err := registry.ParseISODate(first)
		if err != nil {
			return span{}, fmt.Errorf("period %q: %w", text, err)
		}
		to, err := registry.ParseISODate(last)
		if err != nil {
			return span{}, fmt.Errorf("period %q: %w", text, err)
		}
		if to < from {
			return span{}, fmt.Errorf("period %q: should have its first day first", text)
		}
		return span{from, to}, nil
	}
	return span{}, fmt.Errorf("period %q: should be a year (2025), a quarter (2025Q3) or two days (2025-01-15/2025-06-30)", text)
}

func periods(s *Source, names []string) (func(int) int, error) {
	spans := make([]span, len(names))
	for i, n := range names {
		var err error
		if spans[i], err = parseSpan(n); err != nil {
			return nil, err
		}
		for j := range i {
			if spans[i].from <= spans[j].to && spans[j].from <= spans[i].to {
				return nil, fmt.Errorf("periods %s and %s: should not overlap", names[j], names[i])
			}
		}
	}
	return func(e int) int {
		day := s.Outcomes.Episodes[e].Day0
		return slices.IndexFunc(spans, func(p span) bool { return day >= p.from && day <= p.to })
	}, nil
}
