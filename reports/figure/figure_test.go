package figure_test

import (
	"bytes"
	"encoding/xml"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/reports"
	"keratally/reports/figure"
)

func samples() []reports.Figure {
	windows := []reports.Tick{{At: 0, Label: "0"}, {At: 183, Label: "6"}, {At: 365, Label: "12"}, {At: 730, Label: "24"}}
	return []reports.Figure{
		{Key: "line", Kind: reports.LineFigure, Title: "Kmax change over time (64 eyes)", Desc: "Kmax falls.",
			X: reports.Axis{Title: "months after treatment", Ticks: windows}, Y: reports.Axis{Title: "change of Kmax (D)"},
			Bands: []reports.Band{{Name: "month 12", From: 274, To: 547}}, Lines: []reports.RefLine{{Name: "no change", At: 0}},
			Series: []reports.Series{
				{Name: "standard", X: []float64{0, 183, 365, 730}, Y: []float64{0, -.4, -1, -1.2}, Lower: []float64{0, -.8, -1.5, -1.9}, Upper: []float64{0, 0, -.5, -.5}},
				{Name: "accelerated", X: []float64{0, 183, 365, 730}, Y: []float64{0, -.2, -.7, -.8}, Lower: []float64{0, -.5, -1.1, -1.4}, Upper: []float64{0, .1, -.3, -.2}}}},
		{Key: "step", Kind: reports.StepFigure, Title: "Free of progression (64 eyes)", X: reports.Axis{Title: "months after treatment", Ticks: windows, Max: 760}, Y: reports.Axis{Title: "share of eyes", Percent: true, Min: 0.5, Max: 1},
			AtRisk: []reports.RiskRow{{Name: "at risk", Numbers: []int{64, 50, 41, 20}}},
			Series: []reports.Series{{Name: "all", X: []float64{0, 200, 400, 700}, Y: []float64{1, .97, .93, .9}, Lower: []float64{1, .93, .86, .8}, Upper: []float64{1, .99, .97, .96}, Censored: []float64{300, 500}}}},
		{Key: "bar", Kind: reports.BarFigure, Title: "Lines of CDVA gained and lost (64 eyes)", X: reports.Axis{Title: "lines", Categories: []string{"lost 2", "lost 1", "same", "gained 1", "gained 2"}}, Y: reports.Axis{Title: "share of eyes", Percent: true},
			Series: []reports.Series{{Name: "month 12", Y: []float64{.02, .1, .5, .25, .13}, Lower: []float64{0, .05, .4, .18, .08}, Upper: []float64{.05, .15, .6, .32, .2}}, {Name: "month 24", Y: []float64{.03, .1, .45, .25, .17}}}},
		{Key: "stack", Kind: reports.StackedBarFigure, Title: "Haze over time (64 eyes)", X: reports.Axis{Title: "window", Categories: []string{"month 1", "month 3"}}, Y: reports.Axis{Title: "share of eyes", Percent: true},
			Series: []reports.Series{{Name: "0", Y: []float64{.2, .5}}, {Name: "0.5 to 1", Y: []float64{.6, .4}}, {Name: "2 or more", Y: []float64{.2, .1}}}},
		{Key: "plane", Kind: reports.ScatterFigure, Square: true, Title: "Kmax before and after (5 eyes)", X: reports.Axis{Title: "before (D)"}, Y: reports.Axis{Title: "month 12 (D)"},
			Lines: []reports.RefLine{{Name: "no change", Diagonal: true}}, Series: []reports.Series{{Name: "eyes", X: []float64{48, 52, 55, 60, 66}, Y: []float64{47, 52.5, 53.7, 58, 65}}}},
		{Key: "forest", Kind: reports.ForestFigure, Title: "Difference in Kmax change (120 eyes)", X: reports.Axis{Title: "difference (D)"}, Y: reports.Axis{Categories: []string{"unadjusted", "adjusted", "weighted"}},
			Lines: []reports.RefLine{{Name: "none", Vertical: true}, {Name: "margin", At: 1, Vertical: true}}, Series: []reports.Series{{X: []float64{.5, .3, .2}, Lower: []float64{-.1, -.2, -.4}, Upper: []float64{1.1, .8, .8}}}},
		{Key: "funnel", Kind: reports.FunnelFigure, Title: "Rate by surgeon (4 surgeons)", X: reports.Axis{Title: "eyes"}, Y: reports.Axis{Title: "rate", Percent: true},
			Series: []reports.Series{{Name: "95 %", X: []float64{25, 50, 100}, Y: []float64{0, 0, 0}, Lower: []float64{0, 0, .006}, Upper: []float64{.13, .11, .092}}, {Name: "surgeons", X: []float64{30, 60, 90}, Y: []float64{.03, .05, .1}}, {Name: "own", X: []float64{70}, Y: []float64{.02}, Marked: true}}},
		{Key: "flow", Kind: reports.FlowFigure, Title: "Eyes in the cohort", Boxes: []reports.FlowStep{{Label: "all treated eyes", Eyes: 420, Patients: 300}, {Label: "diagnosis keratoconus", Eyes: 400, Patients: 290}, {Label: "followed to month 12", Eyes: 260, Patients: 200}}},
		{Key: "empty", Kind: reports.LineFigure, Title: "Nothing yet (0 eyes)", X: reports.Axis{Title: "days"}, Y: reports.Axis{Title: "D"}},
	}
}

// Every kind draws on every canvas; the SVG is well formed, names itself in
// words and holds no style attribute, which a strict page would drop.
func TestEveryKindDraws(t *testing.T) {
	keep := os.Getenv("KERATALLY_FIGURES") // a folder to look at the pictures in
	for _, fig := range samples() {
		t.Run(fig.Key, func(t *testing.T) {
			var p, s, d bytes.Buffer
			require.NoError(t, figure.PNG(&p, &fig))
			img, err := png.Decode(bytes.NewReader(p.Bytes()))
			require.NoError(t, err)
			require.Greater(t, img.Bounds().Dx(), 900)
			require.NoError(t, figure.SVG(&s, &fig))
			require.NotContains(t, s.String(), "style=")
			require.Contains(t, s.String(), "<title id=")
			dec := xml.NewDecoder(strings.NewReader(s.String()))
			for {
				if _, err := dec.Token(); err == io.EOF {
					break
				} else {
					require.NoError(t, err)
				}
			}
			require.NoError(t, figure.PDF(&d, &fig))
			require.True(t, bytes.HasPrefix(d.Bytes(), []byte("%PDF")))
			if keep != "" {
				require.NoError(t, os.WriteFile(filepath.Join(keep, fig.Key+".png"), p.Bytes(), 0o644))
				require.NoError(t, os.WriteFile(filepath.Join(keep, fig.Key+".svg"), s.Bytes(), 0o644))
			}
		})
	}
}

// The same figure is the same file in every form.
func TestSameBytes(t *testing.T) {
	fig := samples()[0]
	for _, draw := range []func(io.Writer, *reports.Figure) error{figure.PNG, figure.SVG, figure.PDF} {
		var a, b bytes.Buffer
		require.NoError(t, draw(&a, &fig))
		require.NoError(t, draw(&b, &fig))
		require.Equal(t, a.Bytes(), b.Bytes())
	}
}
