package registry

import (
	"fmt"

	"keratally/registry/measure"
)

// OffChartTable gives the logMAR that stands in for vision below the chart.
// A finding without a stand-in is counted and left out of means.
type OffChartTable struct {
	Stamp    `json:"-"`
	Citation string           `json:"citation"`
	LogMAR   map[string]int32 `json:"logmar_e3"` // by CF, HM, LP, NLP: thousandths of logMAR
}

// DefinitionKind returns OffChartKind.
func (OffChartTable) DefinitionKind() DefinitionKind { return OffChartKind }

// Check returns what is wrong with the table.
func (t OffChartTable) Check() error {
	if err := t.check(); err != nil {
		return err
	}
	if t.Citation == "" {
		return fmt.Errorf("a table of stand-ins should name its source")
	}
	before := int32(1000)
	for o := measure.CountingFingers; o <= measure.NoLightPerception; o++ {
		if v, ok := t.LogMAR[o.String()]; ok {
			if v < before || v > 4000 {
				return fmt.Errorf("stand-in %d for %s: should be between %d and 4000 thousandths of logMAR, worse than the finding before it", v, o, before)
			}
			before = v
		}
	}
	for code := range t.LogMAR {
		if code != "CF" && code != "HM" && code != "LP" && code != "NLP" {
			return fmt.Errorf("stand-in for %q: should be for CF, HM, LP or NLP", code)
		}
	}
	return nil
}

// StandIn returns the logMAR in place of the finding, None where the table
// has none.
func (t OffChartTable) StandIn(o measure.OffChart) measure.LogMAR {
	if v, ok := t.LogMAR[o.String()]; ok && o != 0 {
		return measure.LogMAR(v)
	}
	return measure.None
}

// DefaultOffChart returns Lange 2009: the larger series, with light
// perception left out of means.
func DefaultOffChart() OffChartTable {
	return OffChartTable{
		Stamp:    Stamp{Name: "lange-2009", Version: 1, ValidFrom: firstDay, Note: "light perception and worse left out of means"},
		Citation: "Lange et al. 2009, Graefes Arch Clin Exp Ophthalmol 247:137",
		LogMAR:   map[string]int32{"CF": 1980, "HM": 2280},
	}
}

// BuiltInOffChart returns the tables that come with the program, the default first.
func BuiltInOffChart() []OffChartTable {
	table := func(name, note, citation string, logMAR map[string]int32) OffChartTable {
		return OffChartTable{Stamp: Stamp{Name: name, Version: 1, ValidFrom: firstDay, Note: note}, Citation: citation, LogMAR: logMAR}
	}
	return []OffChartTable{
		DefaultOffChart(),
		table("schulze-bonsel-2006", "decimal 0.014 and 0.005", "Schulze-Bonsel et al. 2006, Invest Ophthalmol Vis Sci 47:1236", map[string]int32{"CF": 1850, "HM": 2300}),
		table("bach", "light perception and worse are imputed", "Bach, visual acuity conversion, suggested values", map[string]int32{"CF": 1900, "HM": 2300, "LP": 2700, "NLP": 3000}),
		table("holladay-1997", "from memory: 20/2000 and 20/20000", "Holladay 1997, J Refract Surg 13:388", map[string]int32{"CF": 2000, "HM": 3000}),
	}
}

// ComplicationKind is one kind of untoward event.
type ComplicationKind struct {
	Key     string `json:"key"`
	Label   string `json:"label"`
	Early   bool   `json:"early,omitempty"`   // counted to the early horizon, otherwise to the late one
	Derived bool   `json:"derived,omitempty"` // found in the visits; need not be entered
}

// ComplicationKinds is the list from which complications are entered.
type ComplicationKinds struct {
	Stamp `json:"-"`
	Kinds []ComplicationKind `json:"kinds"`
}

// DefinitionKind returns ComplicationsKind.
func (ComplicationKinds) DefinitionKind() DefinitionKind { return ComplicationsKind }

// Check returns what is wrong with the list.
func (k ComplicationKinds) Check() error {
	if err := k.check(); err != nil {
		return err
	}
	seen := map[string]bool{}
	for _, one := range k.Kinds {
		if one.Key == "" || one.Label == "" || seen[one.Key] {
			return fmt.Errorf("complication %q: should have a key of its own and a label", one.Key)
		}
		seen[one.Key] = true
	}
	return nil
}

// Find returns the kind with the key; ok is false if the list has none.
func (k ComplicationKinds) Find(key string) (ComplicationKind, bool) {
	for _, one := range k.Kinds {
		if one.Key == key {
			return one, true
		}
	}
	return ComplicationKind{}, false
}

// The complications that are derived from visits.
const (
	AcuityLoss      = "cdva-loss"
	HazeAtYear      = "haze-month-12"
	EndothelialLoss = "ecd-loss"
	Progressed      = "progression"
	OverFlattening  = "over-flattening"
)

// DefaultComplications returns the minimum list of events after cross-linking
// (common practice), with the derived ones last.
func DefaultComplications() ComplicationKinds {
	return ComplicationKinds{
		Stamp: Stamp{Name: "default", Version: 1, ValidFrom: firstDay, Note: "minimum list of events; common practice"},
		Kinds: []ComplicationKind{
			{"microbial-keratitis", "microbial keratitis", true, false},
			{"herpetic-keratitis", "herpetic reactivation", true, false},
			{"sterile-infiltrate", "sterile infiltrate", true, false},
			{"delayed-healing", "delayed healing (more than 7 days)", true, false},
			{"persistent-defect", "persistent epithelial defect (more than 14 days)", true, false},
			{"melt", "corneal melt or perforation", true, false},
			{"endothelial-oedema", "endothelial oedema", true, false},
			{"iop-rise", "rise of intraocular pressure", true, false},
			{"dose-fault", "device or dose fault", true, false},
			{"recurrent-erosion", "recurrent erosion", false, false},
			{"persistent-haze", "persistent haze", false, false},
			{"scar", "stromal scar", false, false},
			{"other", "other", false, false},
			{AcuityLoss, "CDVA loss of 2 lines or more, month 6 or later", false, true},
			{HazeAtYear, "haze grade 2 or more at month 12", false, true},
			{EndothelialLoss, "endothelial cell loss", false, true},
			{Progressed, "progression after treatment", false, true},
			{OverFlattening, "marked over-flattening", false, true},
		},
	}
}

// AnalysisSettings are the remaining choices of a report.
type AnalysisSettings struct {
	Stamp              `json:"-"`
	BaselineMaxAge     int      `json:"baseline_max_age_days"`    // a baseline value is at most so old on the day of treatment
	EarlyHorizon       int      `json:"early_horizon_days"`       // early complications: onset on or before this day
	LateHorizon        int      `json:"late_horizon_days"`        // the others
	LineToleranceE3    int32    `json:"line_tolerance_e3"`        // logMAR thousandths: a line is 100 within this
	MinEpisodes        int      `json:"min_episodes"`             // below it, values and no test
	OutcomeSurgery     []string `json:"outcome_changing_surgery"` // kinds of surgery that end an episode
	CompetingSurgery   []string `json:"competing_surgery"`        // those that compete with progression
	AcuityLossLines    int      `json:"acuity_loss_lines"`        // loss that is a complication
	AcuityLossFromDay  int      `json:"acuity_loss_from_day"`     // on this day or later
	HazeLimitE1        int32    `json:"haze_limit_e1"`            // tenths of a grade, at or above
	HazeWindow         string   `json:"haze_window"`              // key of the window in which it counts
	ECDLossPercent     float64  `json:"ecd_loss_percent"`         // more than this share of the baseline
	ECDLossFromDay     int      `json:"ecd_loss_from_day"`        // on this day or later
	OverFlatteningE2   int32    `json:"over_flattening_e2"`       // fall of Kmax, hundredths of a dioptre, at or beyond
	OverFlatFromDay    int      `json:"over_flattening_from_day"` // on this day or later
	BaselineMeasures   []string `json:"baseline_measures"`        // whose baseline a complete record has
	ConfidenceLevel    float64  `json:"confidence_level"`         // of every interval
	PrimaryMeasure     string   `json:"primary_measure"`          // the declared primary
	PrimaryWindow      string   `json:"primary_window"`           // and its window
	SmallCellThreshold int      `json:"small_cell_threshold"`     // exports suppress counts below it
}

// DefinitionKind returns AnalysisKind.
func (AnalysisSettings) DefinitionKind() DefinitionKind { return AnalysisKind }

// Check returns what is wrong with the settings.
func (a AnalysisSettings) Check() error {
	if err := a.check(); err != nil {
		return err
	}
	for _, days := range []struct {
		name string
		n    int
	}{{"baseline_max_age_days", a.BaselineMaxAge}, {"early_horizon_days", a.EarlyHorizon}, {"late_horizon_days", a.LateHorizon},
		{"min_episodes", a.MinEpisodes}, {"acuity_loss_lines", a.AcuityLossLines}, {"acuity_loss_from_day", a.AcuityLossFromDay},
		{"ecd_loss_from_day", a.ECDLossFromDay}, {"over_flattening_from_day", a.OverFlatFromDay}} {
		if days.n < 1 {
			return fmt.Errorf("%s %d: should be 1 or more", days.name, days.n)
		}
	}
	if a.LineToleranceE3 < 0 || a.LineToleranceE3 >= 50 {
		return fmt.Errorf("line_tolerance_e3 %d: should be 0 to 49 thousandths, less than half a line", a.LineToleranceE3)
	}
	if !(a.ConfidenceLevel > 0 && a.ConfidenceLevel < 1) {
		return fmt.Errorf("confidence_level %g: should be between 0 and 1, such as 0.95", a.ConfidenceLevel)
	}
	if !(a.ECDLossPercent > 0 && a.ECDLossPercent < 100) {
		return fmt.Errorf("ecd_loss_percent %g: should be between 0 and 100", a.ECDLossPercent)
	}
	for _, key := range append([]string{a.PrimaryMeasure}, a.BaselineMeasures...) {
		if _, ok := ParseQuantity(key); !ok {
			return fmt.Errorf("measure %q: should be the key of a measure, such as kmax", key)
		}
	}
	return nil
}

// DefaultAnalysis returns the settings of a clinic that has chosen nothing;
// the limits of derived complications are common practice.
func DefaultAnalysis() AnalysisSettings {
	return AnalysisSettings{
		Stamp:             Stamp{Name: "default", Version: 1, ValidFrom: firstDay, Note: "common practice"},
		BaselineMaxAge:    183,
		EarlyHorizon:      90,
		LateHorizon:       365,
		LineToleranceE3:   5,
		MinEpisodes:       5,
		OutcomeSurgery:    []string{"keratoplasty", "ring-segments", "laser-ablation", "cataract", "lens"},
		CompetingSurgery:  []string{"keratoplasty"},
		AcuityLossLines:   2,
		AcuityLossFromDay: 137,
		HazeLimitE1:       20,
		HazeWindow:        "month-12",
		ECDLossPercent:    20,
		ECDLossFromDay:    61,
		OverFlatteningE2:  500,
		OverFlatFromDay:   137,
		BaselineMeasures:  []string{"cdva", "kmax", "thinnest"},
		ConfidenceLevel:   0.95,
		PrimaryMeasure:    "kmax",
		PrimaryWindow:     "month-12",

		SmallCellThreshold: 5,
	}
}

// LinesGained returns the whole lines by which sight improved when logMAR
// changed by the given thousandths (follow-up minus baseline): a line is 100,
// and a change within the tolerance below n lines counts as n, so that 0.5 to
// 0.8 decimal is two. Negative when lines were lost, 0 for less than a line.
func (a AnalysisSettings) LinesGained(change measure.Steps) int {
	if change > 0 {
		return -int((int32(change) + a.LineToleranceE3) / 100)
	}
	return int((int32(-change) + a.LineToleranceE3) / 100)
}
