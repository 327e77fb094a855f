package selfcheck

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"

	"keratally/stats"
	"keratally/stats/proportion"
)

// Options say what to check and what the report tells about the run.
type Options struct {
	Dir     string    // folder with datasets/ and expected/; empty for the embedded set
	Version string    // of the program, for the report
	Date    string    // of the run, for the report
	Machine string    // for the report; the system and processor if empty
	Report  io.Writer // evidence with every number of every case; nil for none
}

// Summary counts how the cases ended.
type Summary struct {
	Agree, Differ, NotCovered int
	Families                  []Family
}

// Family counts the cases of one file.
type Family struct {
	Name                      string
	Agree, Differ, NotCovered int
	WorstDigits               float64 // over the numbers that agree relatively; NaN without any
}

// Cases returns the number of cases.
func (s Summary) Cases() int { return s.Agree + s.Differ + s.NotCovered }

// String returns, for example, "12 cases: 11 agree, 0 differ, 1 not covered".
func (s Summary) String() string {
	return fmt.Sprintf("%d cases: %d agree, %d differ, %d not covered", s.Cases(), s.Agree, s.Differ, s.NotCovered)
}

// checked is a case with how it ended.
type checked struct {
	c       *Case
	outcome Outcome
	lines   []Line
	why     string // of a case that is not covered or has no numbers
}

// Run compares every case and writes one line a case, the differing and
// missing numbers under it, the counts per family, and as its last line the
// total of Summary.String. The error is for cases that cannot be read; a
// difference is in the Summary.
func Run(options Options, w io.Writer) (Summary, error) {
	root, source, err := open(options.Dir)
	if err != nil {
		return Summary{}, err
	}
	cases, err := readCases(root)
	if err != nil {
		return Summary{}, fmt.Errorf("cases of %s: %w", source, err)
	}
	p := printer{w: w, report: options.Report}
	p.header(options, source, len(cases))
	var summary Summary
	for i, done := range checkAll(root, cases) {
		if i == 0 || cases[i-1].Family != cases[i].Family {
			summary.Families = append(summary.Families, Family{Name: cases[i].Family, WorstDigits: math.NaN()})
		}
		summary.count(done)
		p.one(done)
	}
	p.totals(summary)
	return summary, p.err
}

func open(dir string) (root fs.FS, source string, err error) {
	if dir == "" {
		return embedded(), "the embedded set", nil
	}
	if _, err := os.Stat(dir); err != nil {
		return nil, "", fmt.Errorf("folder of cases: %w", err)
	}
	return os.DirFS(filepath.Clean(dir)), dir, nil
}

// checkAll runs the cases on all processors and yields them in order.
func checkAll(root fs.FS, cases []Case) func(yield func(int, checked) bool) {
	frames := newFrames(root)
	results := make([]chan checked, len(cases))
	for i := range results {
		results[i] = make(chan checked, 1)
	}
	next := make(chan int, len(cases))
	for i := range cases {
		next <- i
	}
	close(next)
	for range min(runtime.NumCPU(), max(1, len(cases))) {
		go func() {
			for i := range next {
				results[i] <- check(frames, &cases[i])
			}
		}()
	}
	return func(yield func(int, checked) bool) {
		for i := range cases {
			if !yield(i, <-results[i]) {
				return
			}
		}
	}
}

// check runs one case.
func check(frames *frames, c *Case) (done checked) {
	done = checked{c: c}
	uncovered := func(why string) checked {
		return checked{c: c, outcome: Uncovered, why: why}
	}
	method := methods[c.Method]
	if method == nil {
		return uncovered(fmt.Sprintf("unknown method %q", c.Method))
	}
	var frame *Frame
	if c.Dataset != "" {
		var err error
		if frame, err = frames.get(c.Dataset); err != nil {
			return uncovered(err.Error())
		}
	}
	in := newInput(c, frame)
	results, err := call(method, in)
	if errors.Is(err, ErrNotCovered) {
		return uncovered(err.Error())
	}
	if unread := in.unread(); len(unread) > 0 && err == nil {
		return uncovered(fmt.Sprintf("unknown argument %q", unread[0]))
	}
	if message, isError := c.Results["error"]; isError && len(c.Results) == 1 {
		done.lines = []Line{{Key: "error", Ours: fmt.Sprint(err), Theirs: fmt.Sprint(message), Digits: math.NaN(), Outcome: Differs}}
		if isReason(err) {
			done.lines[0].Outcome = Agrees
		}
	} else if err != nil && !isReason(err) {
		done.lines = []Line{{Key: "error", Ours: err.Error(), Theirs: fmt.Sprintf("%d results", len(c.Results)), Digits: math.NaN(), Outcome: Differs}}
	} else {
		if err != nil {
			done.why = err.Error()
		}
		if err != nil && results == nil {
			results = echo(c)
		}
		done.lines = compare(c, results, err)
	}
	done.outcome = Agrees
	for _, line := range done.lines {
		switch {
		case line.Outcome == Differs:
			done.outcome = Differs
		case line.Outcome == Uncovered && done.outcome == Agrees:
			done.outcome = Uncovered
			done.why = fmt.Sprintf("%s: %s", line.Key, line.Why)
		}
	}
	if len(done.lines) == 0 {
		return uncovered("the case has no results")
	}
	return done
}

// isReason reports whether err is one of the reasons in words why a number does
// not exist, rather than a fault of the program.
func isReason(err error) bool {
	var argument *stats.ArgumentError
	if errors.As(err, &argument) {
		return true
	}
	for _, reason := range [...]error{
		stats.ErrNoData, stats.ErrTooFew, stats.ErrNoVariance, stats.ErrAllZero, stats.ErrNoEvents, stats.ErrNotConverged,
		stats.ErrSeparation, stats.ErrCollinear, stats.ErrOneGroup, stats.ErrNotFinite, stats.ErrLengths,
		proportion.ErrEmptyMargin, proportion.ErrNoDiscordant, proportion.ErrTooLarge,
	} {
		if errors.Is(err, reason) {
			return true
		}
	}
	return false
}

// echo returns the expected results that only repeat the question, which a
// method that ends in an error need not answer.
func echo(c *Case) Results {
	repeated := Results{}
	for _, key := range []string{"n", "n_x", "n_y", "conf_level", "alternative", "sig_level", "mu", "delta"} {
		if value, ok := c.Results[key]; ok {
			repeated[key] = value
		}
	}
	return repeated
}

// call runs a method; a panic is an error, so that one fault does not hide the
// other cases.
func call(method Method, in *Input) (results Results, err error) {
	defer func() {
		if fault := recover(); fault != nil {
			results, err = nil, fmt.Errorf("the program failed: %v", fault)
		}
	}()
	return method(in)
}

func (s *Summary) count(done checked) {
	family := &s.Families[len(s.Families)-1]
	switch done.outcome {
	case Agrees:
		s.Agree++
		family.Agree++
		for _, line := range done.lines {
			if !math.IsNaN(line.Digits) && !line.Absolute && !(family.WorstDigits <= line.Digits) {
				family.WorstDigits = line.Digits
			}
		}
	case Differs:
		s.Differ++
		family.Differ++
	default:
		s.NotCovered++
		family.NotCovered++
	}
}

// worst returns the number that agrees to the fewest digits, a differing one
// before all others.
func (d checked) worst() (Line, bool) {
	lines := slices.Clone(d.lines)
	slices.SortStableFunc(lines, func(a, b Line) int {
		if (a.Outcome == Differs) != (b.Outcome == Differs) {
			if a.Outcome == Differs {
				return -1
			}
			return 1
		}
		switch x, y := rankDigits(a), rankDigits(b); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	if len(lines) == 0 {
		return Line{}, false
	}
	return lines[0], true
}

func rankDigits(l Line) float64 {
	switch {
	case math.IsNaN(l.Digits):
		return 18
	case l.Absolute:
		return 17
	}
	return l.Digits
}
