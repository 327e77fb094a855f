package reports

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"keratally/registry"
	"keratally/registry/snapshot"
	"keratally/stats"
	"keratally/stats/propensity"
)

// ComparisonSpec says what is compared, by what and on which measure.
type ComparisonSpec struct {
	By     string   // one of Dimensions
	Groups []string // codes, the first being the reference; none takes every group that the cohort has
	// Measure and Window are the declared primary; the zero spec's are those of
	// the definitions: see Defaults.
	Measure registry.Quantity
	Window  string
	// Margin is the largest difference that would still be accepted, in the
	// unit of Measure; 0 states none.
	Margin float64
	// MarginBy says where the margin comes from, as printed.
	MarginBy string
	// Adjust lists the covariates beside the baseline of the measure.
	Adjust []Covariate
	Target propensity.Target // of the weights
}

// Covariate is what an adjusted comparison holds alike between groups: the age
// at treatment or the baseline of a quantity.
type Covariate struct {
	Age      bool
	Quantity registry.Quantity
}

// ParseCovariate reads "age" or the key of a quantity.
func ParseCovariate(key string) (Covariate, error) {
	if key == "age" {
		return Covariate{Age: true}, nil
	}
	q, ok := registry.ParseQuantity(key)
	if !ok {
		return Covariate{}, fmt.Errorf("covariate %q: should be age or the key of a measure, such as kmax", key)
	}
	return Covariate{Quantity: q}, nil
}

// label prints the covariate with its unit.
func (c Covariate) label() string {
	if c.Age {
		return "age (years)"
	}
	return heading(c.Quantity) + " at baseline"
}

func (c Covariate) format() Format {
	if c.Age {
		return OneDec
	}
	return formatOf(c.Quantity)
}

// value returns the covariate of an episode, NaN where it was not recorded.
func (c Covariate) value(o *snapshot.Outcomes, e int) float64 {
	if c.Age {
		if years, ok := o.Age(e); ok {
			return float64(years)
		}
		return math.NaN()
	}
	if v := o.Baseline(e, c.Quantity); v.IsValid() {
		return v.Number
	}
	return math.NaN()
}

// DefaultAdjustment is the set of covariates of a comparison that chose none:
// age, baseline Kmax and thinnest point, beside the baseline of the measure.
func DefaultAdjustment() []Covariate {
	return []Covariate{{Age: true}, {Quantity: registry.Kmax.Quantity()}, {Quantity: registry.Thinnest.Quantity()}}
}

// DefaultMargin returns the working margin of a quantity where there is one:
// 1.0 D of Kmax, equal to the limit of progression, and 0.1 logMAR of acuity
// (common practice; no published margin is known).
func DefaultMargin(q registry.Quantity) (margin float64, ok bool) {
	switch {
	case q == registry.Kmax.Quantity():
		return 1, true
	case q.Info().Acuity:
		return 0.1, true
	}
	return 0, false
}

// Better is the direction in which a difference in change favours the first
// group of a difference: less steepening, better sight, less loss of cells or
// thickness. TwoSided means that neither direction is the better one.
func Better(q registry.Quantity) stats.Alternative {
	switch q {
	case registry.Kmax.Quantity(), registry.K1.Quantity(), registry.K2.Quantity(), registry.KMean, registry.CylinderMagnitude,
		registry.CornealAstigmatism, registry.Haze.Quantity(), registry.Densitometry.Quantity():
		return stats.Less
	case registry.Thinnest.Quantity(), registry.ECD.Quantity(), registry.Hexagonality.Quantity():
		return stats.Greater
	}
	if q.Info().Acuity {
		return stats.Less
	}
	return stats.TwoSided
}

// ComparedGroup is the episodes of one group.
type ComparedGroup struct {
	Name     string
	Episodes []int32 // of Source.Outcomes
	Eyes     int
	Patients int
}

// Comparison sets groups of a cohort side by side: their baselines, the change
// of one declared primary measure, of the other measures as secondary ones,
// and their complications. Differences are the later group less the earlier.
type Comparison struct {
	Source    *Source
	Spec      ComparisonSpec
	Groups    []ComparedGroup
	Others    []string // groups of the cohort that are not compared
	window    int      // of Outcomes.Windows
	Primary   MeasureComparison
	Secondary []MeasureComparison
	Rates     []RateComparison
	Baseline  []BaselineRow
}

// NewComparison computes the comparison. Group names that the cohort does not
// have make empty groups, unless none of them is known.
func NewComparison(s *Source, spec ComparisonSpec) (*Comparison, error) {
	o := s.Outcomes
	if err := o.Definitions.Check(); err != nil {
		return nil, err
	}
	c := &Comparison{Source: s, Spec: spec}
	w, ok := o.Definitions.Windows.Find(spec.Window)
	if !ok {
		return nil, fmt.Errorf("window %q: should be one of the definitions, such as month-12", spec.Window)
	}
	c.window = w
	if spec.Margin < 0 || math.IsNaN(spec.Margin) || math.IsInf(spec.Margin, 0) {
		return nil, fmt.Errorf("margin %g: should be above 0, in the unit of %s", spec.Margin, spec.Measure.Info().Label)
	}
	if err := c.group(); err != nil {
		return nil, err
	}
	c.Baseline = c.baselineRows()
	var err error
	if c.Primary, err = c.measure(spec.Measure, true); err != nil {
		return nil, err
	}
	for _, q := range secondary {
		if q == spec.Measure {
			continue
		}
		m, err := c.measure(q, false)
		if err != nil {
			return nil, err
		}
		c.Secondary = append(c.Secondary, m)
	}
	if c.Rates, err = c.rates(); err != nil {
		return nil, err
	}
	return c, c.holm()
}

// secondary lists the measures that a comparison looks at beside the primary.
var secondary = []registry.Quantity{
	registry.Kmax.Quantity(), registry.CDVA.Quantity(), registry.UDVA.Quantity(), registry.KMean, registry.Thinnest.Quantity(),
	registry.SphericalEquivalent, registry.CylinderMagnitude, registry.ECD.Quantity(), registry.Densitometry.Quantity(),
}

// group sorts the episodes into the groups that were asked for.
func (c *Comparison) group() error {
	d, ok := dimensions[c.Spec.By]
	if !ok {
		return fmt.Errorf("--by %q: should be one of %s", c.Spec.By, strings.Join(Dimensions(), ", "))
	}
	o := c.Source.Outcomes
	var names []string
	if len(c.Spec.Groups) > 0 {
		for _, g := range c.Spec.Groups {
			if slices.Contains(names, g) {
				return fmt.Errorf("group %q: should be named once", g)
			}
			names = append(names, g)
		}
	} else {
		for _, g := range c.Source.groups(func(e int) string { return d.name(c.Source, e) }) {
			names = append(names, g.name)
		}
	}
	member, err := d.members(c.Source, names)
	if err != nil {
		return err
	}
	c.Groups = make([]ComparedGroup, len(names))
	for i, n := range names {
		c.Groups[i].Name = n
	}
	others := map[string]bool{}
	for e := range o.Episodes {
		if g := member(e); g >= 0 {
			c.Groups[g].Episodes = append(c.Groups[g].Episodes, int32(e))
		} else {
			others[d.name(c.Source, e)] = true
		}
	}
	found := 0
	for i := range c.Groups {
		only := o.Only(c.Groups[i].Episodes)
		c.Groups[i].Eyes, c.Groups[i].Patients = only.Eyes(), only.Patients()
		found += len(c.Groups[i].Episodes)
	}
	for n := range others {
		c.Others = append(c.Others, n)
	}
	slices.Sort(c.Others)
	if found == 0 && len(o.Episodes) > 0 {
		return fmt.Errorf("groups %s by %s: none has an eye in this cohort, which has %s", strings.Join(names, ", "), c.Spec.By, strings.Join(c.Others, ", "))
	}
	return nil
}

// holm adjusts the headline p values of everything but the primary measure's
// as one family.
func (c *Comparison) holm() error {
	var family holmFamily
	for i := range c.Secondary {
		for j := range c.Secondary[i].Contrasts {
			k := &c.Secondary[i].Contrasts[j]
			family.add(k.Headline.P, k.HeadlineErr, &k.Holm)
		}
	}
	for i := range c.Rates {
		for j := range c.Rates[i].Contrasts {
			k := &c.Rates[i].Contrasts[j]
			family.add(k.Headline.P, k.HeadlineErr, &k.Holm)
		}
	}
	if err := family.adjust(); err != nil {
		return fmt.Errorf("secondary measures: %w", err)
	}
	return nil
}

func (c *Comparison) level() float64 { return c.Source.Outcomes.Definitions.Analysis.ConfidenceLevel }

// few says that a group is too small to be tested, in words.
func (c *Comparison) few(name string, n int) error {
	return fmt.Errorf("not tested: %s has %s with this measure, fewer than %d", name, eyes(n), c.Source.Outcomes.Definitions.Analysis.MinEpisodes)
}

// NewComparisonSpec returns the spec of a comparison whose other choices are
// the defaults: the declared primary measure and window, its working margin,
// the default covariates and overlap weights.
func NewComparisonSpec(d registry.Definitions, by string, groups []string) ComparisonSpec {
	q, _ := registry.ParseQuantity(d.Analysis.PrimaryMeasure) // checked with the definitions
	return ComparisonSpec{By: by, Groups: groups, Measure: q, Window: d.Analysis.PrimaryWindow, Adjust: DefaultAdjustment(), Target: defaultTarget}.WithMargin(0)
}

// defaultTarget is whose effect the weights are for.
const defaultTarget = propensity.Overlap

// WithMargin returns the spec with a stated margin; 0 takes the working margin
// of the measure, where there is one.
func (s ComparisonSpec) WithMargin(margin float64) ComparisonSpec {
	if margin != 0 {
		s.Margin, s.MarginBy = margin, "stated for this comparison"
		return s
	}
	s.Margin, s.MarginBy = 0, ""
	if m, ok := DefaultMargin(s.Measure); ok {
		s.Margin, s.MarginBy = m, "working default, common practice"
	}
	return s
}
