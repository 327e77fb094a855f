package cohort

import (
	"fmt"
	"strconv"
	"strings"

	"keratally/registry"
)

// String returns the criterion as a report prints it: "treated 1 Jan 2024 to
// 31 Dec 2025".
func (k Criterion) String() string {
	for _, l := range k.lists() {
		if len(l.among) > 0 {
			return l.name + ": " + strings.Join(l.among, ", ")
		}
	}
	switch {
	case k.Treated != nil:
		return k.Treated.String()
	case k.Age != nil:
		return "age at treatment " + span(wholeNumber(k.Age.From), wholeNumber(k.Age.To)) + " years"
	case k.Baseline != nil:
		return k.Baseline.String()
	case k.FollowUp != nil && k.FollowUp.Measure != "":
		q, _ := registry.ParseQuantity(k.FollowUp.Measure)
		return q.Info().Label + " measured at " + strings.ReplaceAll(k.FollowUp.Window, "-", " ")
	case k.FollowUp != nil:
		return "seen at " + strings.ReplaceAll(k.FollowUp.Window, "-", " ")
	case k.OneEye != nil && k.OneEye.Choose == Drawn:
		return fmt.Sprintf("one eye per patient, drawn with seed %d", k.OneEye.Seed)
	case k.OneEye != nil:
		return "one eye per patient, the first treated"
	}
	return ""
}

// String returns the period in words.
func (p *Period) String() string {
	from, _ := date(p.From) // both were checked
	to, _ := date(p.To)
	switch {
	case !to.IsValid():
		return "treated on or after " + from.Long()
	case !from.IsValid():
		return "treated on or before " + to.Long()
	}
	return "treated " + from.Long() + " to " + to.Long()
}

// String returns the span of the baseline in words.
func (b *Baseline) String() string {
	q, _ := registry.ParseQuantity(b.Measure)
	info := q.Info()
	digits := info.Unit.Shown()
	return strings.TrimSpace("baseline " + info.Label + " " + span(decimal(b.From, digits), decimal(b.To, digits)) + " " + info.Unit.Symbol())
}

func span(from, to string) string {
	switch {
	case to == "":
		return "at least " + from
	case from == "":
		return "at most " + to
	}
	return from + " to " + to
}

func wholeNumber(n *int) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(*n)
}

func decimal(x *float64, digits int) string {
	if x == nil {
		return ""
	}
	return strconv.FormatFloat(*x, 'f', digits, 64)
}
