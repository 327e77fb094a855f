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
	"p_adjust_fdr_tsbh":   adjust(func(p []float64) ([]float64, error) { return multiplicity.TwoStageBH(p, 0.05) }),
}

func adjust(method func(p []float64) ([]float64, error)) Method {
	return func(in *Input) (Results, error) {
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
