package reports

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"math"
	"path"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"keratally/registry"
	"keratally/stats/pool"
)

// Study is a published summary, entered once with its citation. The text form
// is described in benchmarks/README.md.
type Study struct {
	Name     string      `toml:"name"`
	Citation string      `toml:"citation"`
	Where    string      `toml:"where"`
	Seen     Seen        `toml:"seen"`
	Note     string      `toml:"note"`
	Arms     []StudyArm  `toml:"arm"`
	Pooled   []PooledOne `toml:"pooled"`
}

// StudyArm is one group of a study.
type StudyArm struct {
	Name     string          `toml:"name"`
	Family   string          `toml:"family"` // studies of one family are pooled
	N        int             `toml:"n"`      // eyes; 0 where not printed
	Patients int             `toml:"patients"`
	Change   []StudyChange   `toml:"change"`
	Baseline []StudyBaseline `toml:"baseline"`
	Rate     []StudyRate     `toml:"rate"`
}

// StudyChange is a mean change with what was printed of its spread: one of SD,
// SE and CI, or none.
type StudyChange struct {
	Measure string    `toml:"measure"`
	Window  string    `toml:"window"`
	N       int       `toml:"n"` // where it differs from the arm's
	Mean    float64   `toml:"mean"`
	SD      float64   `toml:"sd"`
	SE      float64   `toml:"se"`
	CI      []float64 `toml:"ci"`
	Level   float64   `toml:"level"` // of CI; 0 is 0.95
	Seen    Seen      `toml:"seen"`
}

// StudyBaseline is a characteristic of an arm before treatment.
type StudyBaseline struct {
	Measure string  `toml:"measure"` // key of a measure, or age
	Mean    float64 `toml:"mean"`
	SD      float64 `toml:"sd"`
	Seen    Seen    `toml:"seen"`
}

// StudyRate is the eyes of an arm with an event.
type StudyRate struct {
	Event  string `toml:"event"`
	Window string `toml:"window"` // of a share; "" for a complication
	Events int    `toml:"events"`
	N      int    `toml:"n"`
	Seen   Seen   `toml:"seen"`
}

// PooledOne is what a review pooled, as printed.
type PooledOne struct {
	Question string `toml:"question"`
	Result   string `toml:"result"`
}

// Seen says how a figure is known.
type Seen string

var seenWords = map[Seen]string{
	"source":   "seen in the source",
	"abstract": "seen in the abstract",
	"summary":  "seen in a summary",
	"computed": "computed from printed figures",
	"memory":   "from memory, not checked",
}

// Words returns how a figure is known, in words.
func (s Seen) Words() string { return seenWords[s] }

// Or returns s, or the given one where s says nothing.
func (s Seen) Or(of Seen) Seen {
	if s == "" {
		return of
	}
	return s
}

// ParseStudies reads a set of published summaries. An unknown key, a study
// without a citation, a measure or event that there is none of, and spreads
// that contradict each other are errors; all are reported at once.
func ParseStudies(text []byte) ([]Study, error) {
	var file struct {
		Study []Study `toml:"study"`
	}
	if err := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields().Decode(&file); err != nil {
		var strict *toml.StrictMissingError
		if errors.As(err, &strict) {
			return nil, fmt.Errorf("published summaries: a key is not known:\n%s", strict.String())
		}
		return nil, fmt.Errorf("published summaries: %w", err)
	}
	if len(file.Study) == 0 {
		return nil, errors.New("published summaries: there is no [[study]]")
	}
	var faults []error
	names := map[string]bool{}
	for i := range file.Study {
		s := &file.Study[i]
		fault := func(format string, args ...any) {
			faults = append(faults, fmt.Errorf("study %d (%s): %w", i+1, s.Name, fmt.Errorf(format, args...)))
		}
		if s.Name == "" || names[s.Name] {
			fault("name %q: should be a short name of its own", s.Name)
		}
		names[s.Name] = true
		s.check(fault)
	}
	return file.Study, errors.Join(faults...)
}

func (s *Study) check(fault func(string, ...any)) {
	if s.Citation == "" {
		fault("citation: should name the source")
	}
	if s.Seen.Words() == "" {
		fault("seen %q: should be source, abstract, summary, computed or memory", s.Seen)
	}
	for i := range s.Arms {
		a := &s.Arms[i]
		if a.Name == "" || a.N < 0 || a.Patients < 0 || a.N > 0 && a.Patients > a.N {
			fault("arm %d: should have a name, and no more patients than eyes", i+1)
		}
		for j := range a.Change {
			if err := a.Change[j].check(); err != nil {
				fault("arm %s, change %d: %w", a.Name, j+1, err)
			}
		}
		for j := range a.Baseline {
			b := &a.Baseline[j]
			if _, err := ParseCovariate(b.Measure); err != nil {
				fault("arm %s, baseline %d: %w", a.Name, j+1, err)
			}
			if !(b.SD >= 0) || !finiteAll(b.Mean, b.SD) {
				fault("arm %s, baseline %d: mean %g and SD %g: should be finite, the SD not below 0", a.Name, j+1, b.Mean, b.SD)
			}
			if b.Seen != "" && b.Seen.Words() == "" {
				fault("arm %s, baseline %d: seen %q: should be source, abstract, summary, computed or memory", a.Name, j+1, b.Seen)
			}
		}
		for j := range a.Rate {
			if err := a.Rate[j].check(); err != nil {
				fault("arm %s, rate %d: %w", a.Name, j+1, err)
			}
		}
	}
	for i, p := range s.Pooled {
		if p.Question == "" || p.Result == "" {
			fault("pooled %d: should have a question and a result", i+1)
		}
	}
}

func finiteAll(xs ...float64) bool {
	return !slices.ContainsFunc(xs, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
}

func (c *StudyChange) check() error {
	q, ok := registry.ParseQuantity(c.Measure)
	if !ok {
		return fmt.Errorf("measure %q: should be the key of a measure, such as kmax", c.Measure)
	}
	if c.Window == "" {
		return errors.New("window: should be the key of a window, such as month-12")
	}
	given := 0
	for _, is := range []bool{c.SD != 0, c.SE != 0, len(c.CI) > 0} {
		if is {
			given++
		}
	}
	switch {
	case given > 1:
		return errors.New("should have one of sd, se and ci")
	case c.SD < 0 || c.SE < 0 || c.N < 0 || !finiteAll(c.Mean, c.SD, c.SE):
		return fmt.Errorf("mean %g, sd %g, se %g, n %d: should be finite, spread and number not below 0", c.Mean, c.SD, c.SE, c.N)
	case len(c.CI) > 0 && (len(c.CI) != 2 || !(c.CI[0] < c.Mean && c.Mean < c.CI[1]) || !finiteAll(c.CI...)):
		return fmt.Errorf("ci %v: should be two limits around the mean %g", c.CI, c.Mean)
	case c.Level != 0 && !(c.Level > 0 && c.Level < 1):
		return fmt.Errorf("level %g: should be between 0 and 1, such as 0.95", c.Level)
	case q.Info().Acuity && math.Abs(c.Mean) > 3:
		return fmt.Errorf("mean change %g of %s: should be in logMAR, not in letters", c.Mean, q.Info().Label)
	case c.Seen != "" && c.Seen.Words() == "":
		return fmt.Errorf("seen %q: should be source, abstract, summary, computed or memory", c.Seen)
	}
	return nil
}

// spread returns the SD of n eyes, from what was printed; ok is false where
// nothing was, or n was not.
func (c *StudyChange) spread(n int) (sd float64, ok bool, err error) {
	level := c.Level
	if level == 0 {
		level = 0.95
	}
	switch {
	case n < 2:
		return 0, false, nil
	case c.SD > 0:
		return c.SD, true, nil
	case c.SE > 0:
		return c.SE * math.Sqrt(float64(n)), true, nil
	case len(c.CI) == 2:
		sd, err = pool.SDFromCI(n, c.CI[0], c.CI[1], level)
		return sd, err == nil, err
	}
	return 0, false, nil
}

func (r *StudyRate) check() error {
	if r.N < 1 || r.Events < 0 || r.Events > r.N {
		return fmt.Errorf("%d events of %d: should be 0 to n, n at least 1", r.Events, r.N)
	}
	if r.Seen != "" && r.Seen.Words() == "" {
		return fmt.Errorf("seen %q: should be source, abstract, summary, computed or memory", r.Seen)
	}
	_, share := benchmarkShares[r.Event]
	if share != (r.Window != "") {
		return fmt.Errorf("event %q, window %q: a share (%s) has a window, a complication has none", r.Event, r.Window, strings.Join(shareKeys(), ", "))
	}
	if r.Event == "" {
		return errors.New("event: should be the key of a complication or a share")
	}
	return nil
}

//go:embed benchmarks/*.toml
var builtIn embed.FS

// BuiltInStudyNames lists the sets that come with the program.
func BuiltInStudyNames() []string {
	return []string{"controlled-trials", "cohorts", "complications", "reviews"}
}

// BuiltInStudies returns the set with the name; ok is false if the program
// comes with none.
func BuiltInStudies(name string) (set []Study, ok bool, err error) {
	if !slices.Contains(BuiltInStudyNames(), name) {
		return nil, false, nil
	}
	text, err := builtIn.ReadFile(path.Join("benchmarks", name+".toml"))
	if err != nil {
		return nil, true, err
	}
	set, err = ParseStudies(text)
	if err != nil {
		return nil, true, fmt.Errorf("set %s: %w", name, err)
	}
	return set, true, nil
}
