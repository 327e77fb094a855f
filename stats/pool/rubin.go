// Package pool combines estimates: over the completed data sets of a multiple
// imputation, over studies, and from published summaries (n, mean, SD).
package pool

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/sum"
)

// Imputed is an estimate pooled over the completed data sets of a multiple
// imputation.
type Imputed struct {
	stats.Result         // N counts the data sets; DF is that of Barnard & Rubin
	Within       float64 // mean of the squared standard errors
	Between      float64 // variance of the estimates
	Total        float64 // Within + (1 + 1/m)·Between
	Increase     float64 // relative increase of variance from missing data
	Lambda       float64 // share of Total from missing data
	Missing      float64 // fraction of missing information
	DFRubin      float64 // (m−1)/Lambda², for an infinite complete-data df
}

// Rubin pools m estimates q with standard errors se over m completed data
// sets. dfComplete is the degrees of freedom that the analysis would have had
// on complete data, infinite for a normal reference; P is two-sided for a true
// value of zero.
//
// Errors: fewer than 2 estimates, different lengths, a standard error that is
// not above zero, dfComplete not above zero. Equal estimates have no variance
// between them: the degrees of freedom are then those of the complete data,
// infinite where it is.
//
// Rubin, Multiple Imputation for Nonresponse in Surveys, 1987, section 3.3;
// Barnard & Rubin, Biometrika 1999;86:948–955.
func Rubin(q, se []float64, dfComplete, level float64) (Imputed, error) {
	const method = "pooling over imputations, Rubin"
	if err := stats.CheckLevel(level); err != nil {
		return Imputed{}, err
	}
	if err := stats.CheckPairs(method, q, se, 2); err != nil {
		return Imputed{}, err
	}
	for i, v := range se {
		if v <= 0 {
			return Imputed{}, &stats.ArgumentError{Name: fmt.Sprintf("standard error %d", i+1), Got: v, Want: "above zero"}
		}
	}
	if !(dfComplete > 0) {
		return Imputed{}, &stats.ArgumentError{Name: "complete-data degrees of freedom", Got: dfComplete, Want: "above zero, or infinite"}
	}
	m := float64(len(q))
	r := Imputed{Result: stats.NewResult(method, len(q))}
	r.Estimate = sum.Mean(q)
	r.Within = sum.Dot(se, se) / m
	r.Between = sum.Variance(q)
	added := (1 + 1/m) * r.Between
	r.Total = r.Within + added
	r.SE = math.Sqrt(r.Total)
	r.Increase = added / r.Within
	r.Lambda = added / r.Total
	r.DFRubin = (m - 1) / (r.Lambda * r.Lambda)
	if math.IsInf(dfComplete, 1) {
		r.DF = r.DFRubin
	} else {
		observed := (dfComplete + 1) / (dfComplete + 3) * dfComplete * (1 - r.Lambda)
		r.DF = 1 / (1/r.DFRubin + 1/observed)
	}
	r.Missing = (r.Increase + 2/(r.DF+3)) / (r.Increase + 1)
	r.Stat = r.Estimate / r.SE
	r.P = dist.PT(r.Stat, r.DF, stats.TwoSided)
	half := dist.TQuantile((1+level)/2, r.DF) * r.SE
	r.Interval = stats.Interval{Estimate: r.Estimate, Lower: r.Estimate - half, Upper: r.Estimate + half, Level: level, Method: method}
	if r.Between == 0 {
		r.Note("the imputed data sets give equal estimates")
	}
	return r, nil
}
