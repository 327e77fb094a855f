package registry

import (
	"bytes"
	"encoding/json"
	"fmt"
)

// A Definition is a choice that decides what a number means: which days make
// month 12, what counts as progression. Definitions are data: they carry a
// name, a version and the day from which they hold; a version is never
// changed, only followed by the next; and a report prints those it used.
type Definition interface {
	DefinitionKind() DefinitionKind
	DefinitionStamp() Stamp
	// Check says what is wrong with the definition, nil if nothing is.
	Check() error
}

// DefinitionKind is what a definition defines.
type DefinitionKind string

// The kinds of definitions.
const (
	WindowsKind       DefinitionKind = "windows"
	ProgressionKind   DefinitionKind = "progression"
	OffChartKind      DefinitionKind = "off-chart"
	ComplicationsKind DefinitionKind = "complication-kinds"
	PlausibilityKind  DefinitionKind = "plausibility"
	TargetsKind       DefinitionKind = "targets"
	AnalysisKind      DefinitionKind = "analysis"
)

// Stamp says which definition it is.
type Stamp struct {
	Name      string
	Version   int
	ValidFrom Date   // the day from which it holds
	Note      string // why it is as it is, and its source
}

// DefinitionStamp returns the stamp itself, so that a definition that embeds
// one has the method.
func (s Stamp) DefinitionStamp() Stamp { return s }

// String returns, for example, "default, version 1".
func (s Stamp) String() string { return fmt.Sprintf("%s, version %d", s.Name, s.Version) }

func (s Stamp) check() error {
	if s.Name == "" || s.Version < 1 || !s.ValidFrom.IsValid() {
		return fmt.Errorf("a definition should have a name, a version from 1 and a first day: found %q, %d, %q", s.Name, s.Version, s.ValidFrom)
	}
	return nil
}

// StoredDefinition is a definition as the database keeps it.
type StoredDefinition struct {
	Kind DefinitionKind
	Stamp
	Body json.RawMessage
}

// EncodeDefinition returns the stored form of a checked definition.
func EncodeDefinition(d Definition) (StoredDefinition, error) {
	if err := d.Check(); err != nil {
		return StoredDefinition{}, fmt.Errorf("definition of %s %s: %w", d.DefinitionKind(), d.DefinitionStamp(), err)
	}
	body, err := json.Marshal(d)
	if err != nil {
		return StoredDefinition{}, fmt.Errorf("definition of %s %s: %w", d.DefinitionKind(), d.DefinitionStamp(), err)
	}
	return StoredDefinition{Kind: d.DefinitionKind(), Stamp: d.DefinitionStamp(), Body: body}, nil
}

// Stampable is a definition whose stamp can be set: a pointer to any type
// that embeds Stamp.
type Stampable interface{ SetStamp(Stamp) }

// SetStamp replaces the stamp.
func (s *Stamp) SetStamp(t Stamp) { *s = t }

// DecodeDefinition is the inverse of EncodeDefinition: it reads one kind of
// definition strictly, so a key that the kind does not have is an error.
func DecodeDefinition[T any, P interface {
	*T
	Definition
	Stampable
}](s StoredDefinition) (T, error) {
	var d T
	p := P(&d)
	dec := json.NewDecoder(bytes.NewReader(s.Body))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&d); err != nil {
		return d, fmt.Errorf("definition of %s %s: %w", s.Kind, s.Stamp, err)
	}
	p.SetStamp(s.Stamp)
	if p.DefinitionKind() != s.Kind {
		return d, fmt.Errorf("definition of %s %s: should be of kind %s", s.Kind, s.Stamp, p.DefinitionKind())
	}
	if err := p.Check(); err != nil {
		return d, fmt.Errorf("definition of %s %s: %w", s.Kind, s.Stamp, err)
	}
	return d, nil
}

// Definitions is the set that one report uses.
type Definitions struct {
	Windows       WindowSet
	Progression   []ProgressionRule // the first is the headline rule
	OffChart      OffChartTable
	Complications ComplicationKinds
	Analysis      AnalysisSettings
}

// DefaultDefinitions returns what holds where a clinic has chosen nothing.
func DefaultDefinitions() Definitions {
	return Definitions{
		Windows:       DefaultWindows(),
		Progression:   []ProgressionRule{DefaultProgression()},
		OffChart:      DefaultOffChart(),
		Complications: DefaultComplications(),
		Analysis:      DefaultAnalysis(),
	}
}

// BuiltInDefinitions returns every definition that comes with the program,
// the defaults among them, in the order in which they are seeded.
func BuiltInDefinitions() []Definition {
	var all []Definition
	for _, w := range BuiltInWindows() {
		all = append(all, w)
	}
	for _, r := range BuiltInProgression() {
		all = append(all, r)
	}
	for _, t := range BuiltInOffChart() {
		all = append(all, t)
	}
	return append(all, DefaultComplications(), DefaultAnalysis())
}

// All returns the definitions of the set.
func (d Definitions) All() []Definition {
	all := []Definition{d.Windows}
	for _, r := range d.Progression {
		all = append(all, r)
	}
	return append(all, d.OffChart, d.Complications, d.Analysis)
}

// Check returns the first thing that is wrong with any of the set.
func (d Definitions) Check() error {
	for _, one := range d.All() {
		if err := one.Check(); err != nil {
			return fmt.Errorf("definition of %s %s: %w", one.DefinitionKind(), one.DefinitionStamp(), err)
		}
	}
	return nil
}

// firstDay is the day from which the built-in definitions hold: earlier than
// any treatment that a registry can have.
var firstDay = DateFromDays(7305) // 1 January 1990
