package intake

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestMappingsInTestdataAreRead(t *testing.T) {
	files, err := filepath.Glob("../../testdata/mappings/*.toml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		_, err = ParseMapping(text)
		require.NoError(t, err, file)
	}
}

func TestMappingFaultsAreSaid(t *testing.T) {
	const head = "name = \"x\"\ncentre = \"c\"\n[[sheet]]\nshape = \"visit\"\n"
	for _, tt := range []struct{ text, says string }{
		{head + "[sheet.columns]\n\"K\" = \"visit.kmx\"", `there is no field "visit.kmx": is "visit.kmax" meant?`},
		{head + "[sheet.columns]\n\"VA\" = \"visit.cdva\"", "the notation of CDVA should be declared"},
		{head + "[sheet.columns]\n\"VA\" = { field = \"visit.cdva\", notation = \"metric\" }", "snellen-m"},
		{head + "[sheet.columns]\n\"K\" = { field = \"visit.kmax\", notation = \"decimal\" }", "a notation fits an acuity only"},
		{head + "[sheet.columns]\n\"K\" = { field = \"visit.kmax\", unit = \"µm\" }", "visit.kmax is in D or mm"},
		{head + "[sheet.columns]\n\"S\" = { field = \"patient.sex\", unit = \"D\" }", "patient.sex has no unit"},
		{head + "[sheet.columns]\n\"K\" = { field = \"visit.kmax\", colour = \"red\" }", `unknown key "colour"`},
		{head + "[sheet.columns]\n\"K\" = { field = \"visit.kmax\", side = \"middle\" }", "OD (right) or OS (left)"},
		{head + "[sheet.columns]\n\"K\" = { field = \"visit.kmax\", side = \"OD\" }", `side needs shape "patient"`},
		{head + "[sheet.columns]\n\"D\" = \"visit.days\"", "needs an anchor"},
		{head + "[sheet.columns]\n\"K\" = 7", "should be a field"},
		{head + "[sheet.days]\nfrom = \"yesterday\"", `days.from "yesterday"`},
		{head + "[sheet.treatment]\non = \"day 0\"", "needs a declared day"},
		{head + "surprise = 1", "unknown key"},
		{head + "date = \"european\"", "day-first"},
		{head + "decimal = \";\"", `should be "." or ","`},
		{head + "[sheet.constants]\n\"visit.cdva\" = \"6/6\"", "cannot be the same for every row"},
		{"name = \"x\"\ncentre = \"c\"\n[[sheet]]\nshape = \"wide\"", `shape "wide"`},
		{"name = \"x\"\ncentre = \"c\"\n[[sheet]]\nshape = \"patient\"", "give each column of an eye its side"},
		{"name = \"x\"\ncentre = \"c\"\n[[sheet]]\nshape = \"measurement\"", "measurement.name"},
		{"name = \"x\"", "centre: should be"},
		{"centre = \"x\"", "name: should be"},
		{"name = \"x\"\ncentre = \"c\"", "no [[sheet]]"},
		{"name = \"x\"\ncentre = \"c\"\n[file]\ndelimiter = \"::\"\n[[sheet]]\nshape=\"visit\"", "delimiter"},
		{"name = x", "mapping:"},
	} {
		_, err := ParseMapping([]byte(tt.text))
		require.ErrorContains(t, err, tt.says, tt.text)
	}
}

func TestFieldsAreDocumented(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range Fields() {
		require.NotEmpty(t, f.Help, f.Key)
		require.False(t, seen[f.Key], f.Key)
		seen[f.Key] = true
	}
	for _, key := range []string{"patient.code", "patient.birth_year", "eye.side", "visit.on", "visit.days", "visit.kmax", "treatment.on", "treatment.protocol", "pachymetry.after-soak", "demarcation.depth", "complication.onset", "surgery.on", "follow_up_end.reason", "protocol_zone.diameter", "clinician.code"} {
		require.True(t, seen[key], key)
	}
}
