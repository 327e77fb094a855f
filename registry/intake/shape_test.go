package intake

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"keratally/registry"
	"keratally/registry/measure"
)

func TestBothEyesAndSeveralVisitsSideBySide(t *testing.T) {
	m := parseMapping(t, `
[[sheet]]
shape = "patient"
header_rows = 2
[sheet.days]
from = "treatment"
[sheet.visits.before]
[sheet.visits.m3]
days = 90
stage = "follow-up"
[sheet.columns]
"Patient" = "patient.code"
"Treated / OD" = { field = "treatment.on", side = "OD" }
"Treated / OS" = { field = "treatment.on", side = "OS" }
"Before / Date" = { field = "visit.on", visit = "before" }
"Before / OD Kmax" = { field = "visit.kmax", side = "OD", visit = "before" }
"Before / OS Kmax" = { field = "visit.kmax", side = "OS", visit = "before" }
"Month 3 / OD R" = { field = "visit.kmax", side = "OD", visit = "m3", unit = "mm" }
"Month 3 / OS R" = { field = "visit.kmax", side = "OS", visit = "m3", unit = "mm" }
`)
	file := []byte("Patient,Treated,,Before,,,Month 3,\n,OD,OS,Date,OD Kmax,OS Kmax,OD R,OS R\n" +
		"P1,2026-02-01,,2026-01-20,54.25,51.00,6.25,\nP2,,2026-02-01,2026-01-20,,60.00,,5.625\nP3,,,2026-01-20,50.00,,,\nP4,,,2026-01-20,50.00,,6.75,\n")
	k := &keeping{}
	r := takeText(t, k, "wide.csv", file, m)
	require.Len(t, r.Refusals, 1)
	require.Equal(t, `sheet wide, row 6: counts from a treatment, and none of this eye is known: give the day of treatment in the row or take the treatments in first`, r.Refusals[0].String())
	got := map[string]string{}
	for _, v := range k.visits {
		got[v.Eye.Parent.Values[0].Text+" "+measure.Side(v.Eye.Values[0].Num).String()+" "+v.On.String()] = v.Values[registry.Kmax].Text(measure.DioptreUnit)
	}
	require.Equal(t, map[string]string{ // 337.5/6.25 = 54.00, 337.5/5.625 = 60.00; 2026-02-01 + 90 days
		"P1 OD 2026-01-20": "54.25", "P1 OS 2026-01-20": "51.00", "P1 OD 2026-05-02": "54.00",
		"P2 OS 2026-01-20": "60.00", "P2 OS 2026-05-02": "60.00", "P3 OD 2026-01-20": "50.00",
	}, got)
	require.Len(t, k.of(registry.TreatmentRecord), 2)
}

func TestMergedHeadingsAndMergedPatients(t *testing.T) {
	f := excelize.NewFile()
	defer f.Close()
	for cell, text := range map[string]string{
		"A1": "Clinic sheet", "A2": "Patient", "B2": "Eye", "C2": "Visit", "D2": "Tomography", "D3": "Kmax", "E3": "Thinnest", "C3": "Date",
		"A4": "P1", "B4": "OD", "C4": "4.3.2026", "D4": "54,25", "E4": "468", "C5": "4.9.2026", "D5": "53,75", "E5": "n/a",
	} {
		require.NoError(t, f.SetCellStr("Sheet1", cell, text))
	}
	for _, area := range [][2]string{{"A2", "A3"}, {"B2", "B3"}, {"D2", "E2"}, {"A4", "A5"}, {"B4", "B5"}} {
		require.NoError(t, f.MergeCell("Sheet1", area[0], area[1]))
	}
	var b bytes.Buffer
	require.NoError(t, f.Write(&b))
	m := parseMapping(t, `
[file]
decimal = ","
date = "day-first"
missing = ["n/a"]
[[sheet]]
shape = "visit"
skip_rows = 1
header_rows = 2
[sheet.columns]
"Patient" = { field = "patient.code", fill_down = true }
"Eye" = { field = "eye.side", fill_down = true }
"Visit / Date" = "visit.on"
"Tomography / Kmax" = "visit.kmax"
"Tomography / Thinnest" = "visit.thinnest"
`)
	k := &keeping{}
	r := takeText(t, k, "x.xlsx", b.Bytes(), m)
	require.Empty(t, r.Refusals)
	require.Len(t, k.visits, 2)
	require.Equal(t, measure.Steps(5425), k.visits[0].Values[registry.Kmax])
	require.Equal(t, measure.Steps(468), k.visits[0].Values[registry.Thinnest])
	require.Equal(t, "2026-09-04", k.visits[1].On.String())
	require.Equal(t, measure.None, k.visits[1].Values[registry.Thinnest])
}

func TestSeveralSheetsGiveOneVisit(t *testing.T) {
	f := excelize.NewFile()
	defer f.Close()
	require.NoError(t, f.SetSheetName("Sheet1", "Refraction"))
	_, err := f.NewSheet("Tomography")
	require.NoError(t, err)
	for sheet, lines := range map[string][][]any{
		"Refraction": {{"Patient", "Eye", "Date", "Sph"}, {"P1", "OD", "2026-03-04", -2.5}, {"P2", "OD", "2026-03-04", 0}},
		"Tomography": {{"Patient", "Eye", "Date", "Kmax"}, {"P1", "OD", "2026-03-04", 54.25}},
	} {
		for i, line := range lines {
			require.NoError(t, f.SetSheetRow(sheet, "A"+string(rune('1'+i)), &line))
		}
	}
	var b bytes.Buffer
	require.NoError(t, f.Write(&b))
	const head = "shape = \"visit\"\n[sheet.columns]\n\"Patient\" = \"patient.code\"\n\"Eye\" = \"eye.side\"\n\"Date\" = \"visit.on\"\n"
	m := parseMapping(t, "[[sheet]]\nname = \"Refraction\"\n"+head+"\"Sph\" = \"visit.sphere\"\n[[sheet]]\nname = \"Tomo*\"\n"+head+"\"Kmax\" = \"visit.kmax\"\n")
	k := &keeping{}
	r := takeText(t, k, "x.xlsx", b.Bytes(), m)
	require.Empty(t, r.Refusals)
	require.Len(t, k.visits, 2)
	require.Equal(t, measure.Steps(-250), k.visits[0].Values[registry.Sphere])
	require.Equal(t, measure.Steps(5425), k.visits[0].Values[registry.Kmax])
}

// A corrected workbook of refused rows goes in with the same mapping.
func TestCorrectedRefusalsGoInAgain(t *testing.T) {
	m := parseMapping(t, smallMapping)
	file := []byte("Patient,Eye,Date,Kmax\nP1,OD,2026-03-02,540\n=cmd|' /C calc'!A0,OD,2026-03-02,530\n")
	r := takeText(t, &keeping{}, "visits.csv", file, m)
	require.Equal(t, 2, r.RowsRefused)
	var b bytes.Buffer
	require.NoError(t, r.WriteRefusals(&b))
	book, err := excelize.OpenReader(&b)
	require.NoError(t, err)
	defer book.Close()
	text, err := book.GetCellValue("visits", "A3")
	require.NoError(t, err)
	require.Equal(t, "=cmd|' /C calc'!A0", text)
	formula, err := book.GetCellFormula("visits", "A3")
	require.NoError(t, err)
	require.Empty(t, formula, "a text stays a text, whatever it begins with")
	require.NoError(t, book.SetCellStr("visits", "D2", "54.0"))
	require.NoError(t, book.SetCellStr("visits", "D3", "53.0"))
	var corrected bytes.Buffer
	require.NoError(t, book.Write(&corrected))
	k := &keeping{}
	again := takeText(t, k, "visits-refused.xlsx", corrected.Bytes(), m)
	require.Zero(t, again.RowsRefused)
	require.Len(t, k.visits, 2)
}

func TestUnusualValuesAreAskedAboutAndKept(t *testing.T) {
	m := parseMapping(t, smallMapping)
	k := &keeping{}
	r := takeText(t, k, "visits.csv", []byte("Patient,Eye,Date,Kmax\nP1,OD,2026-01-02,95.00\nP1,OD,2026-06-02,85.00\n"), m)
	require.Empty(t, r.Refusals)
	require.Len(t, k.visits, 2)
	var says []string
	for _, q := range k.queries {
		says = append(says, q.Message)
	}
	require.Equal(t, []string{
		"Kmax 95.00 is unusual: usually 42 to 90 D; extreme cones exceed 90 D",
		"Kmax changes by -10.00 D from 2026-01-02 to 2026-06-02: is it the same eye?",
	}, says)
}

func TestRowsOfAnotherSiteArePassedOver(t *testing.T) {
	m := parseMapping(t, smallMapping+"[sheet.only]\n\"Site\" = [\"N\"]\n")
	k := &keeping{}
	r := takeText(t, k, "visits.csv", []byte("Patient,Eye,Date,Kmax,Site\nP1,OD,2026-01-02,55.00,n\nP2,OD,2026-06-02,55.00,S\n"), m)
	require.Equal(t, 1, r.RowsRead)
	require.Equal(t, 1, r.RowsPassed)
	require.Len(t, k.visits, 1)
}

// A proposed mapping is itself a mapping, and takes the file that it was
// proposed for once a person has put the centre in.
func TestAProposedMappingTakesItsFile(t *testing.T) {
	file := []byte("Patient ID;Geschlecht;Auge;Datum;Visus cc;Sph;Zyl;Achse;Kmax;TCT;Staff\nP1;female;OD;2026-03-04;0,8;-2,50;-3,00;35;54,25;468;xx\nP2;male;OS;2026-03-05;0,5;-1,00;-1,50;90;51,00;490;yy\n")
	book, err := Read(bytes.NewReader(file), int64(len(file)), "visits.csv", FileOptions{})
	require.NoError(t, err)
	text, err := Propose(book)
	require.NoError(t, err)
	require.Contains(t, text, "decimal or logmar?")
	require.Contains(t, text, `ignore = ["Staff"]`)
	m, err := ParseMapping([]byte(text))
	require.NoError(t, err, text)
	k := &keeping{}
	r := takeText(t, k, "visits.csv", file, m)
	require.Empty(t, r.Refusals)
	require.Len(t, k.visits, 2)
	require.Equal(t, measure.Steps(5425), k.visits[0].Values[registry.Kmax])
	require.Equal(t, measure.Steps(468), k.visits[0].Values[registry.Thinnest])
	require.Equal(t, measure.Steps(97), k.visits[0].Values[registry.CDVA], "−log10(0.8) = 0.097")
}

func TestAProposalSaysWhatItCannotKnow(t *testing.T) {
	file := []byte("Id;Eye;FollowupDays;Gender;VA_ETDRS_Letters\nx;0;0;1;44\ny;1;28;0;81\n")
	book, err := Read(bytes.NewReader(file), int64(len(file)), "visits.csv", FileOptions{})
	require.NoError(t, err)
	text, err := Propose(book)
	require.NoError(t, err)
	_, err = ParseMapping([]byte(text))
	require.NoError(t, err, text)
	require.Contains(t, text, `"Eye" = { field = "eye.side", words = { "0" = "OD", "1" = "OS" } }   # guess: which number is which eye?`)
	require.Contains(t, text, `"Gender" = "patient.sex"   # guess: the values are numbers, say what they mean by words`)
	require.Contains(t, text, `"VA_ETDRS_Letters" = { field = "visit.cdva", notation = "letters" }   # guess: numbers up to 100`)
	require.Contains(t, text, "[sheet.days]\nfrom = \"treatment\"")
}
