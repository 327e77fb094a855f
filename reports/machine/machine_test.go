package machine_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/reports"
	"keratally/reports/machine"
)

// A document reads back with its numbers unrounded, its reasons in words and
// nothing that JSON cannot hold.
func TestWrite(t *testing.T) {
	doc := &reports.Document{Name: "d", Provenance: reports.Provenance{CutOff: registry.DateFromDays(20000), Snapshot: "abc"},
		Sections: []reports.Section{{Name: "S", Table: &reports.Table{Columns: []reports.Column{{Key: "a"}, {Key: "b"}, {Key: "c"}, {Key: "d"}, {Key: "e"}},
			Rows: []reports.Row{{Cells: []reports.Cell{reports.Text(`=x"`), reports.Number(1.0 / 3), reports.Day(registry.DateFromDays(0)), reports.Reason(errors.New("too few eyes")), {}}}}},
			Figures: []reports.Figure{{Key: "f", Series: []reports.Series{{Name: "s", Y: []float64{1, math.Inf(1)}}}}}}}}
	var out bytes.Buffer
	require.NoError(t, machine.Write(&out, doc))
	var got struct {
		CutOff   string `json:"cut_off"`
		Sections []struct {
			Rows    [][]any
			Figures []struct{ Series []struct{ Y []any } }
		}
	}
	require.NoError(t, json.Unmarshal(out.Bytes(), &got))
	require.Equal(t, "2024-10-04", got.CutOff, "20,000 days after 1 Jan 1970")
	require.Equal(t, []any{`=x"`, 1.0 / 3, "1970-01-01", map[string]any{"no_number_because": "too few eyes"}, nil}, got.Sections[0].Rows[0])
	require.Equal(t, []any{1.0, nil}, got.Sections[0].Figures[0].Series[0].Y)
}
