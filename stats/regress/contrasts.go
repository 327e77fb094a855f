package regress

import (
	"fmt"
	"math"
	"strings"

	"keratally/stats/dist"
	"keratally/stats/multiplicity"
)

// Adjustment is how p values and limits of several contrasts allow for their number.
type Adjustment int

// The adjustments. Holm adjusts p values only step by step; the limits beside
// it are Bonferroni's, the single-step limits of the same family.
const (
	NoAdjustment Adjustment = iota
	Tukey                   // studentised range over the means compared
	Holm
)

// Pairs compares the marginal means pairwise, first minus second, within each
// setting of the variables they are split by; the adjustment counts the
// comparisons within each.
func (m *Margins) Pairs(b []float64, freedom Freedom, level float64, adjust Adjustment) ([]Margin, error) {
	var out []Margin
	for start := 0; start < len(m.L); {
		end := start
		for end < len(m.L) && m.family[end] == m.family[start] {
			end++
		}
		pairs, err := m.pairsWithin(start, end, b, freedom, level, adjust)
		if err != nil {
			return nil, err
		}
		out = append(out, pairs...)
		start = end
	}
	return out, nil
}

func (m *Margins) pairsWithin(start, end int, b []float64, freedom Freedom, level float64, adjust Adjustment) ([]Margin, error) {
	var out []Margin
	for i := start; i < end; i++ {
		for j := i + 1; j < end; j++ {
			l := make([]float64, len(b))
			for k := range l {
				l[k] = m.L[i][k] - m.L[j][k]
			}
			se, df, err := freedom(l)
			if err != nil {
				return nil, err
			}
			out = append(out, Margin{
				Settings:    m.Settings[i][m.targets:],
				Contrast:    m.label(i) + " - " + m.label(j),
				Coefficient: NewCoefficient("", dotPlain(l, b), se, df, level),
			})
		}
	}
	return adjusted(out, end-start, level, adjust)
}

func adjusted(pairs []Margin, means int, level float64, adjust Adjustment) ([]Margin, error) {
	if adjust == NoAdjustment || len(pairs) < 2 {
		return pairs, nil
	}
	p := make([]float64, len(pairs))
	for i := range pairs {
		c := &pairs[i].Coefficient
		var critical float64
		if adjust == Tukey {
			c.P = dist.TukeySF(math.Sqrt2*math.Abs(c.T), means, c.DF)
			critical = dist.TukeyQuantile(level, means, c.DF) / math.Sqrt2
		} else {
			critical = dist.TQuantile(1-(1-level)/2/float64(len(pairs)), c.DF)
		}
		c.Lower, c.Upper = c.Estimate-critical*c.SE, c.Estimate+critical*c.SE
		p[i] = c.P
	}
	if adjust == Tukey {
		return pairs, nil
	}
	holm, err := multiplicity.Holm(p)
	if err != nil {
		return nil, fmt.Errorf("contrasts: %w", err)
	}
	for i := range pairs {
		pairs[i].P = holm[i]
	}
	return pairs, nil
}

// label names the targets of a row: levels, numbers with their variable before
// them, and parentheses where a level holds a sign.
func (m *Margins) label(row int) string {
	var parts []string
	for _, s := range m.Settings[row][:m.targets] {
		part := s.Level
		if s.Numeric && part != "TRUE" && part != "FALSE" {
			part = s.Variable + part
		}
		parts = append(parts, part)
	}
	label := strings.Join(parts, " ")
	if strings.ContainsAny(label, "-+/*") {
		return "(" + label + ")"
	}
	return label
}
