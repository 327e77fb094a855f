package intake

import (
	"bytes"
	"encoding/csv"
	"os"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/require"
)

func TestBadRowsAreRefusedInWords(t *testing.T) {
	var table struct {
		Good map[string]string `toml:"good"`
		Rows []struct {
			Name string            `toml:"name"`
			Set  map[string]string `toml:"set"`
			Says []string          `toml:"says"`
		} `toml:"row"`
	}
	text, err := os.ReadFile("../../testdata/bad/rows.toml")
	require.NoError(t, err)
	require.NoError(t, toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields().Decode(&table))
	require.GreaterOrEqual(t, len(table.Rows), 60)
	mapping := readMapping(t, "../../testdata/bad/mapping.toml")
	columns := strings.Split("Patient,Sex,Born,Eye,Date,Stage,Treated,Protocol,Irradiance,Exposure,Energy,UDVA,CDVA,CLVA,Sph,Cyl,Axis,K1,K2,Kmax,Thinnest,Apex,IOP,Haze,ECD,CV,DL,DL thickness,Complication,Onset,Resolved,Ended,Reason", ",")
	require.Len(t, table.Good, len(columns))
	row := func(patient string, set map[string]string) []string {
		cells := make([]string, len(columns))
		for i, c := range columns {
			cells[i] = table.Good[c]
			if c == "Patient" {
				cells[i] = patient
			}
			if v, ok := set[c]; ok {
				cells[i] = v
			}
		}
		if v, ok := set["beyond"]; ok {
			cells = append(cells, v)
		}
		return cells
	}
	for _, bad := range table.Rows {
		t.Run(bad.Name, func(t *testing.T) {
			var file bytes.Buffer
			w := csv.NewWriter(&file)
			require.NoError(t, w.WriteAll([][]string{columns, row("P1", nil), row("P2", bad.Set), row("P3", nil)}))
			session := &keeping{}
			result := takeText(t, session, "visits.csv", file.Bytes(), mapping)
			var says []string
			for _, r := range result.Refusals {
				says = append(says, r.String())
			}
			require.Equal(t, bad.Says, says)
			require.Equal(t, 3, result.RowsRead)
			require.Equal(t, 1, result.RowsRefused)
			require.Equal(t, 2, result.RowsNew, "the rows around it are taken")
			require.Len(t, session.visits, 2)
			require.True(t, session.committed)
			require.Equal(t, row("P2", bad.Set), refusedRowsOf(t, result, "visits")[1][:len(row("P2", bad.Set))], "the refused row is kept as it was")
		})
	}
}
