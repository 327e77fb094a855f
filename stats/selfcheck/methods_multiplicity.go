package selfcheck

import "keratally/stats/multiplicity"

var multiplicityMethods = map[string]Method{
	"p_adjust_holm":       adjust(multiplicity.Holm),
	"p_adjust_hochberg":   adjust(multiplicity.Hochberg),
	"p_adjust_hommel":     adjust(multiplicity.Hommel),
	"p_adjust_BH":         adjust(multiplicity.BenjaminiHochberg),
	"p_adjust_fdr":        adjust(multiplicity.BenjaminiHochberg),
	"p_adjust_BY":         adjust(multiplicity.BenjaminiYekutieli),
	"p_adjust_bonferroni": adjust(multiplicity.Bonferroni),
	"p_adjust_sidak":      adjust(multiplicity.Sidak),
	"p_adjust_holm_sidak": adjust(multiplicity.HolmSidak),
	"p_adjust_fdr_tsbh":   adjustTwoStage,
}

func adjust(method func(p []float64) ([]float64, error)) Method {
	return func(in *Input) (Results, error) {
		for _, function := range [...]string{"p.adjust", "multipletests"} {
			if call, ok := findCall(in.CallText(), function); ok {
				call.Allow("method", "p")
				if err := call.Unread(); err != nil {
					return nil, err
				}
				if len(call.Positional()) > 2 {
					return nil, NotCovered("%s with a number of tests of its own", function)
				}
			}
		}
		p, err := in.Vector("p")
		if err != nil {
			return nil, err
		}
		adjusted, err := method(p)
		if err != nil {
			return nil, err
		}
		return Results{"p_adjusted": adjusted}, nil
	}
}

func adjustTwoStage(in *Input) (Results, error) {
	alpha := 0.05
	if call, ok := findCall(in.CallText(), "multipletests"); ok {
		var err error
		if alpha, err = call.NumberOr("alpha", alpha); err != nil {
			return nil, err
		}
	}
	p, err := in.Vector("p")
	if err != nil {
		return nil, err
	}
	adjusted, err := multiplicity.TwoStageBH(p, alpha)
	if err != nil {
		return nil, err
	}
	return Results{"p_adjusted": adjusted}, nil
}
