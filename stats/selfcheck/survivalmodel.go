package selfcheck

import (
	"strings"

	"gonum.org/v1/gonum/mat"

	"keratally/stats/regress"
	"keratally/stats/survival"
)

// survivalModel is a formula with Surv on its left side, read from the call.
type survivalModel struct {
	data   survival.Data
	design *regress.Design
	x      *mat.Dense // without the constant
	terms  []string
	groups []survival.TermColumns
}

// readSurvivalModel reads the formula, strata and cluster of the function's call.
func readSurvivalModel(in *Input, function string) (*survivalModel, *Call, error) {
	call, err := in.Call(function)
	if err != nil {
		return nil, nil, err
	}
	call.Allow("control", "singular.ok", "x", "y", "model")
	if data := call.Expression("data"); data != "d" && data != "" {
		return nil, nil, NotCovered("data = %s is not the data set", data)
	}
	text := call.Expression("formula")
	if text == "" && len(call.Positional()) > 0 {
		text = call.Positional()[0]
	}
	for _, argument := range []string{"formula", "strata", "cluster", "rho"} {
		if in.Has(argument) { // the call says the same
			if _, err := in.Value(argument); err != nil {
				return nil, nil, err
			}
		}
	}
	formula, err := modelFormula(text)
	if err != nil {
		return nil, nil, err
	}
	cluster := call.Expression("cluster")
	names := formula.Names()
	if cluster != "" {
		names = append(names, strings.TrimPrefix(cluster, "d$"))
	}
	m := &survivalModel{}
	return m, call, m.read(in, formula, names, strings.TrimPrefix(cluster, "d$"))
}

func (m *survivalModel) read(in *Input, formula *regress.Formula, names []string, cluster string) error {
	frame, err := in.Frame()
	if err != nil {
		return err
	}
	if frame, err = frame.Complete(names...); err != nil {
		return err
	}
	strata := formula.TakeCalls("strata")
	for _, c := range formula.TakeCalls("cluster") {
		_, args, _ := c.Call()
		if len(args) != 1 || cluster != "" {
			return NotCovered("%s is not one cluster", c)
		}
		cluster = args[0].String()
	}
	for _, term := range formula.Terms() {
		if strings.Contains(term, "strata(") || strings.Contains(term, "cluster(") {
			return NotCovered("term %s", term)
		}
	}
	if !formula.Intercept {
		return NotCovered("a survival model without constant")
	}
	if m.design, err = modelDesign(frame, formula); err != nil {
		return err
	}
	if m.data, err = survivalResponse(m.design); err != nil {
		return err
	}
	for _, s := range strata {
		_, args, _ := s.Call()
		for _, a := range args {
			codes, labels, err := labelledGroups(m.design, a.String())
			if err != nil {
				return err
			}
			m.data.Strata = crossCodes(m.data.Strata, codes, len(labels))
		}
	}
	if cluster != "" {
		if m.data.Cluster, _, err = m.design.Groups(cluster); err != nil {
			return err
		}
	}
	m.columns()
	return nil
}

// columns takes the constant off the design and gathers the columns of each term.
func (m *survivalModel) columns() {
	d := m.design
	m.terms = d.Names[1:]
	if len(m.terms) == 0 {
		return
	}
	m.x = mat.DenseCopyOf(d.X.Slice(0, len(d.Rows), 1, len(d.Names)))
	for k, term := range d.Formula.Terms() {
		group := survival.TermColumns{Name: term}
		for j, of := range d.Assign {
			if of == k+1 {
				group.Columns = append(group.Columns, j-1)
			}
		}
		m.groups = append(m.groups, group)
	}
}

// crossCodes numbers the combinations of two groupings, the first varying slowest.
func crossCodes(first, second []int, levels int) []int {
	if first == nil {
		return second
	}
	out := make([]int, len(first))
	for i := range out {
		out[i] = first[i]*levels + second[i]
	}
	return out
}

func survivalResponse(d *regress.Design) (survival.Data, error) {
	function, _, _ := d.Formula.Response.Call()
	if function != "Surv" || len(d.Parts) < 1 || len(d.Parts) > 2 {
		return survival.Data{}, NotCovered("response %s is not a right-censored time", d.Formula.Response)
	}
	data := survival.Data{Time: d.Parts[0], Event: make([]bool, len(d.Parts[0]))}
	for i := range data.Event {
		data.Event[i] = true
	}
	var err error
	if len(d.Parts) == 2 {
		data.Event, err = eventMarks(d.Parts[1])
	}
	return data, err
}
