package selfcheck

import (
	"fmt"
	"io"
	"io/fs"
	"math"
	"runtime"
	"strings"
	"sync"
)

// printer writes the run for a person and, if asked, every number of it for an
// auditor. The first error of writing is kept.
type printer struct {
	w, report io.Writer
	err       error
}

func (p *printer) line(w io.Writer, format string, args ...any) {
	if w == nil || p.err != nil {
		return
	}
	_, p.err = fmt.Fprintf(w, format+"\n", args...)
}

func (p *printer) both(format string, args ...any) {
	p.line(p.w, format, args...)
	p.line(p.report, format, args...)
}

func (p *printer) header(o Options, source string, cases int) {
	machine := o.Machine
	if machine == "" {
		machine = fmt.Sprintf("%s/%s, %d processors, %s", runtime.GOOS, runtime.GOARCH, runtime.NumCPU(), runtime.Version())
	}
	p.line(p.report, "Statistical methods compared with reference results")
	p.line(p.report, "")
	p.line(p.report, "program    %s", orUnknown(o.Version))
	p.line(p.report, "date       %s", orUnknown(o.Date))
	p.line(p.report, "machine    %s", machine)
	p.line(p.report, "reference  %s, %d cases", source, cases)
	p.line(p.report, "")
	p.line(p.report, "A number agrees if its relative difference is within the tolerance of the case;")
	p.line(p.report, "or, for a p value, if it differs by at most 1e-10; or, for anything else, by at most")
	p.line(p.report, "the smaller of the tolerance and 1e-9 (1e-7 for skewness and kurtosis) or the absolute")
	p.line(p.report, "tolerance of the case. Distributions and certified values are judged relatively only.")
	p.line(p.report, "Names of statistics, remarks and iteration counts of the other software are not compared.")
	p.line(p.report, "")
}

func orUnknown(text string) string {
	if text == "" {
		return "not stated"
	}
	return text
}

// one writes a case: its outcome and worst number on one line, then every
// number that does not agree; in the report every number.
func (p *printer) one(d checked) {
	title := fmt.Sprintf("%s / %s / %s", d.c.Family, d.c.Name, d.c.Method)
	switch worst, ok := d.worst(); {
	case d.outcome == Uncovered:
		p.both("%-11s  %s: %s", d.outcome, title, d.why)
	case ok && !math.IsNaN(worst.Digits):
		p.both("%-11s  %s: %.1f digits, %s ours %s, theirs %s", d.outcome, title, worst.Digits, worst.Key, worst.Ours, worst.Theirs)
	case ok && worst.Why != "":
		p.both("%-11s  %s: %s ours %s, theirs %s (%s)", d.outcome, title, worst.Key, worst.Ours, worst.Theirs, worst.Why)
	default:
		p.both("%-11s  %s: %s ours %s, theirs %s", d.outcome, title, worst.Key, worst.Ours, worst.Theirs)
	}
	p.line(p.report, "             reference: %s; %s; tolerance %g", d.c.Software, strings.Join(strings.Fields(d.c.Call), " "), d.c.Tolerance)
	for _, line := range d.lines {
		text := fmt.Sprintf("             %-11s  %s: ours %s, theirs %s", line.Outcome, line.Key, line.Ours, line.Theirs)
		if !math.IsNaN(line.Digits) {
			text += fmt.Sprintf(", %.1f digits", line.Digits)
		}
		if line.Absolute {
			text += " (within the absolute tolerance)"
		}
		if line.Why != "" {
			text += ": " + line.Why
		}
		if line.Outcome != Agrees {
			p.line(p.w, "%s", text)
		}
		p.line(p.report, "%s", text)
	}
}

func (p *printer) totals(s Summary) {
	p.both("")
	p.both("%-24s %7s %7s %12s %13s", "family", "agree", "differ", "not covered", "worst digits")
	for _, f := range s.Families {
		worst := "-"
		if !math.IsNaN(f.WorstDigits) {
			worst = fmt.Sprintf("%.1f", f.WorstDigits)
		}
		p.both("%-24s %7d %7d %12d %13s", f.Name, f.Agree, f.Differ, f.NotCovered, worst)
	}
	p.both("%s", s)
}

// frames reads each data set once.
type frames struct {
	root fs.FS
	mu   sync.Mutex
	read map[string]*Frame
}

func newFrames(root fs.FS) *frames { return &frames{root: root, read: map[string]*Frame{}} }

func (f *frames) get(name string) (*Frame, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if frame := f.read[name]; frame != nil {
		return frame, nil
	}
	frame, err := readFrame(f.root, name)
	if err == nil {
		f.read[name] = frame
	}
	return frame, err
}
