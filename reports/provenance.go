package reports

import "keratally/registry"

// Provenance says from what, by what and under which definitions a report was
// made. The same provenance gives the same bytes.
type Provenance struct {
	CutOff      registry.Date
	Snapshot    string // identity of the content
	Definitions []string
	Program     string // version of the program
	Seed        string // of anything drawn by lot, "" when nothing was
	Cohort      string // the cohort in words
}

// Lines returns the provenance as label and value, in the order of printing.
func (p Provenance) Lines() [][2]string {
	out := [][2]string{{"Data to", p.CutOff.Long()}, {"Snapshot", p.Snapshot}, {"Cohort", p.Cohort}, {"Program", p.Program}}
	for i, d := range p.Definitions {
		label := "Definitions"
		if i > 0 {
			label = ""
		}
		out = append(out, [2]string{label, d})
	}
	if p.Seed != "" {
		out = append(out, [2]string{"Seed", p.Seed})
	}
	return out
}
