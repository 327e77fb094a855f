package intake

import (
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"

	"keratally/registry/measure"
)

// Propose writes a mapping for a workbook, guessed from its headings and first
// rows, for a person to correct: every guess is marked, and what could not be
// guessed is listed under ignore.
func Propose(book *Workbook) (string, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "# Proposed from the headings of %s. Every line with \"guess\" is one:\n", book.Name)
	b.WriteString("# check it, correct it, and take the word out when it is right.\n\n")
	fmt.Fprintf(&b, "name = %q\ncentre = \"CENTRE\"            # guess: put the code of your centre here\n\n", baseName(book.Name))
	b.WriteString("[file]\n")
	decimal := "."
	body := strings.Builder{}
	for i := range book.Sheets {
		sheet := &book.Sheets[i]
		if sheet.Hidden {
			continue
		}
		comma, err := proposeSheet(&body, sheet)
		if err != nil {
			return "", fmt.Errorf("%s: sheet %s: %w", book.Name, sheet.Name, err)
		}
		if comma {
			decimal = ","
		}
	}
	fmt.Fprintf(&b, "decimal = %q                 # guess: from the values\n", decimal)
	b.WriteString("# date = \"day-first\"          # iso, day-first or month-first: needed where 03/04/2026 could be two days\n")
	b.WriteString("# missing = [\"n/a\", \"-\"]      # cells that mean nothing was recorded\n\n")
	b.WriteString(body.String())
	return b.String(), nil
}

// sampleRows are read to look at values.
const sampleRows = 200

func proposeSheet(b *strings.Builder, sheet *Sheet) (comma bool, err error) {
	rows, err := sheet.Open()
	if err != nil {
		return false, err
	}
	defer rows.Close()
	var headings []string
	skip := 0
	samples := map[int][]string{}
	for n := 0; n < sampleRows; {
		row, err := rows.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return false, err
		}
		if headings == nil {
			filled := 0
			for _, c := range row.Cells {
				if c.Type == TextCell {
					filled++
				}
			}
			if filled < 2 && row.Number < 10 {
				continue // a title
			}
			skip = row.Number - 1
			for _, c := range row.Cells {
				headings = append(headings, strings.Join(strings.Fields(string(c.Text)), " "))
			}
			continue
		}
		n++
		for i, c := range row.Cells {
			if c.Type != EmptyCell && i < len(headings) {
				samples[i] = append(samples[i], string(c.Text))
			}
		}
	}
	if headings == nil {
		fmt.Fprintf(b, "# sheet %q is empty\n\n", sheet.Name)
		return false, nil
	}
	guesses, shape := guessColumns(headings, samples)
	settle(guesses)
	fmt.Fprintf(b, "[[sheet]]\nname = %q\nshape = %q              # guess: visit, eye, patient or measurement\n", sheet.Name, shape)
	if skip > 0 {
		fmt.Fprintf(b, "skip_rows = %d\n", skip)
	}
	var ignored []string
	for i, h := range headings {
		if h != "" && guesses[i].field == nil {
			ignored = append(ignored, strconv.Quote(h))
		}
	}
	if len(ignored) > 0 {
		fmt.Fprintf(b, "ignore = [%s]   # guess: not recognised\n", strings.Join(ignored, ", "))
	}
	for _, g := range guesses {
		if g.field != nil && g.field.role == visitDaysRole {
			b.WriteString("\n[sheet.days]\nfrom = \"treatment\"         # guess: the treatment of the eye, or the day from which the days count: \"2020-01-01\"\n")
			break
		}
	}
	b.WriteString("\n[sheet.columns]\n")
	for i, h := range headings {
		g := guesses[i]
		if g.field == nil {
			continue
		}
		for _, s := range samples[i] {
			comma = comma || len(g.field.Units) > 0 && strings.Count(s, ",") == 1 && !strings.Contains(s, ".")
		}
		key := strconv.Quote(h)
		if g.repeated {
			key = strconv.Quote("@" + Letters(i))
		}
		fmt.Fprintf(b, "%s = %s   # guess%s\n", key, g.toml(), g.why)
	}
	b.WriteString("\n")
	return comma, nil
}

// settle lets the columns of a sheet explain each other: a column of zones
// makes the zone of a depth known, and the day on a sheet of events is that of
// the onset.
func settle(guesses []guess) {
	has := map[string]bool{}
	measures := false
	for _, g := range guesses {
		if g.field != nil {
			has[g.field.Key] = true
			measures = measures || g.field.role == measureRole || g.field.role == acuityRole
		}
	}
	for i := range guesses {
		g := &guesses[i]
		switch {
		case g.field == nil:
		case g.field.Key == "demarcation.depth" && !has["demarcation.zone"]:
			g.zone = "central"
		case g.field.Key == "visit.on" && has["complication.kind"] && !has["complication.onset"] && !measures:
			g.field = fieldByKey["complication.onset"]
		}
	}
}

// guess is what a column may be.
type guess struct {
	field    *Field
	side     measure.Side
	unit     string
	notation string
	words    map[string]string
	why      string
	zone     string
	repeated bool
}

func (g guess) toml() string {
	parts := []string{fmt.Sprintf("field = %q", g.field.Key)}
	if g.notation != "" {
		parts = append(parts, fmt.Sprintf("notation = %q", g.notation))
	}
	if g.unit != "" {
		parts = append(parts, fmt.Sprintf("unit = %q", g.unit))
	}
	if g.side != 0 {
		parts = append(parts, fmt.Sprintf("side = %q", g.side))
	}
	if g.zone != "" {
		parts = append(parts, fmt.Sprintf("zone = %q", g.zone))
	}
	if len(g.words) > 0 {
		var words []string
		for _, from := range sortedKeys(g.words) {
			words = append(words, fmt.Sprintf("%q = %q", from, g.words[from]))
		}
		parts = append(parts, "words = { "+strings.Join(words, ", ")+" }")
	}
	if len(parts) == 1 {
		return strconv.Quote(g.field.Key)
	}
	return "{ " + strings.Join(parts, ", ") + " }"
}

func guessColumns(headings []string, samples map[int][]string) ([]guess, string) {
	guesses := make([]guess, len(headings))
	used, shape := map[string]bool{}, "visit"
	seen := map[string]int{}
	for _, h := range headings {
		seen[fold(h)]++
	}
	for i, h := range headings {
		g := guessHeading(h)
		g.repeated = seen[fold(h)] > 1
		key := ""
		if g.field != nil {
			key = fmt.Sprint(g.field.Key, g.side)
		}
		if g.field == nil || used[key] {
			continue
		}
		used[key] = true
		g.look(samples[i])
		if g.side != 0 {
			shape = "patient"
		}
		guesses[i] = g
	}
	return guesses, shape
}

// guessHeading finds the field whose usual headings (in English, German,
// French and Spanish) a heading holds, the longest first.
func guessHeading(heading string) (g guess) {
	words := strings.FieldsFunc(heading, func(r rune) bool { return strings.ContainsRune(" _-/.,:()[]%µ", r) })
	var rest []string
	for _, written := range words {
		w := strings.ToLower(written)
		if written == "RA" || written == "LA" { // rechtes, linkes Auge; in small letters "la" is an article
			w = map[string]string{"RA": "od", "LA": "os"}[written]
		}
		switch w {
		case "od", "re":
			g.side = measure.Right
		case "os", "le":
			g.side = measure.Left
		case "mm", "min", "um", "d":
			g.unit = w
		default:
			rest = append(rest, w)
		}
	}
	text := strings.Join(rest, " ")
	for _, known := range usualHeadings {
		if text == known.words || len(known.words) > 3 && strings.Contains(" "+text+" ", " "+known.words+" ") {
			g.field = fieldByKey[known.key]
			break
		}
	}
	if g.field == nil || !belowEye(g.field.kind) || g.field.Key == "eye.side" {
		g.side = 0
	}
	if g.field != nil {
		declared := false
		for _, u := range g.field.Units[min(1, len(g.field.Units)):] {
			declared = declared || u == g.unit
		}
		if !declared {
			g.unit = ""
		}
	}
	return g
}

// look refines a guess by the values of the column.
func (g *guess) look(values []string) {
	if g.field.Acuity {
		g.notation, g.why = guessNotation(values)
	}
	if g.field.Key == "eye.side" {
		distinct := map[string]bool{}
		for _, v := range values {
			distinct[fold(v)] = true
		}
		switch {
		case len(distinct) <= 2 && (distinct["0"] || distinct["1"] && distinct["2"]):
			keys := sortedKeys(distinct)
			g.words = map[string]string{}
			for i, k := range keys {
				g.words[k] = []string{"OD", "OS"}[i]
			}
			g.why = ": which number is which eye?"
		case distinct["d"] || distinct["i"] || distinct["g"]:
			g.words, g.why = map[string]string{"d": "OD", "i": "OS", "g": "OS"}, ": d for the right eye, i or g for the left"
		}
	}
	if len(g.field.Words) > 0 && g.words == nil && len(values) > 0 && strings.Trim(strings.Join(values, ""), "0123456789") == "" {
		g.why = ": the values are numbers, say what they mean by words"
	}
	if g.unit == "" && len(g.field.Units) > 1 {
		g.unit, g.why = guessUnit(g.field, values)
	}
}

func guessNotation(values []string) (notation, why string) {
	fractions, letters, small, negative, n := 0, 0, 0, 0, 0
	for _, v := range values {
		v = strings.Replace(v, ",", ".", 1)
		if strings.Contains(v, "/") {
			fractions++
			n++
			continue
		}
		if x, err := strconv.ParseFloat(v, 64); err == nil {
			n++
			switch {
			case x > 3:
				letters++
			case x < 0:
				negative++
			default:
				small++
			}
		}
	}
	switch {
	case n == 0:
		return "fraction", ": no value to tell the notation by"
	case fractions*2 > n:
		return "fraction", ""
	case letters*2 > n:
		return "letters", ": numbers up to 100"
	case negative > 0:
		return "logmar", ": some values are negative"
	}
	return "decimal", ": decimal or logmar? the values do not tell; ask whoever wrote them"
}

func guessUnit(f *Field, values []string) (unit, why string) {
	for _, other := range f.Units[1:] {
		rule := columnRule{field: f, decimal: '.', unit: other}
		plain := columnRule{field: f, decimal: '.'}
		fits, fitsPlain := 0, 0
		for _, v := range values {
			x, err := strconv.ParseFloat(strings.Replace(v, ",", ".", 1), 64)
			if err != nil {
				continue
			}
			if _, err := rule.convert(x); err == nil {
				fits++
			}
			if _, err := plain.convert(x); err == nil {
				fitsPlain++
			}
		}
		if fits > 0 && fitsPlain == 0 {
			return other, ": the values fit this unit only"
		}
	}
	return "", ""
}

type usualHeading struct{ words, key string }

var usualHeadings = func() []usualHeading {
	list := []usualHeading{}
	for key, headings := range map[string]string{
		"patient.code":             "patient|patient id|patient no|id|pseudonym|code|patientennummer|patient nr|pat nr|pat no|pat|numéro patient|paciente|patient code",
		"patient.sex":              "sex|gender|geschlecht|sexe|sexo",
		"patient.birth_year":       "birth year|year of birth|born|yob|geburtsjahr|année de naissance|año de nacimiento",
		"patient.birth_date":       "date of birth|dob|birth date|geburtsdatum|date de naissance|fecha de nacimiento",
		"patient.atopy":            "atopy|atopie|atopia",
		"patient.eye_rubbing":      "eye rubbing|rubbing|augenreiben|frottement",
		"eye.side":                 "eye|side|laterality|auge|oeil|œil|ojo|seite",
		"eye.diagnosis":            "diagnosis|diagnose|diagnostic|diagnóstico",
		"treatment.on":             "treatment date|date of treatment|treated|cxl date|operation date|op datum|behandlungsdatum|date de traitement|fecha de tratamiento",
		"treatment.protocol":       "protocol|protokoll|protocole|protocolo",
		"treatment.clinician":      "surgeon|clinician|operateur|chirurg|chirurgien|cirujano",
		"treatment.irradiance":     "irradiance|intensity|irradianz|mw cm2|mw cm²",
		"treatment.exposure":       "exposure|exposure time|irradiation time|bestrahlungszeit|dauer|duration|minutes",
		"treatment.fluence":        "fluence|energy|energie|j cm2|j cm²",
		"visit.on":                 "date|visit date|visit|exam date|datum|untersuchungsdatum|date de visite|date d'examen|fecha",
		"visit.days":               "days|followup days|follow up days|followupdays|tage",
		"visit.udva":               "udva|ucva|uncorrected acuity|visus sc|avsc|av sc",
		"visit.cdva":               "cdva|bcva|bscva|va|va etdrs letters|etdrs letters|letters|visus|visus cc|best corrected acuity|avcc|av cc|agudeza visual|acuité visuelle",
		"visit.clva":               "clva|acuity with lens|visus kl",
		"visit.sphere":             "sphere|sph|sphäre|sphère|esfera",
		"visit.cylinder":           "cylinder|cyl|zylinder|zyl|cylindre|cilindro",
		"visit.axis":               "axis|achse|axe|eje|ax",
		"visit.k1":                 "k1|k flat|flat k|kf|r flat",
		"visit.k2":                 "k2|k steep|steep k|ks|r steep",
		"visit.steep_axis":         "steep axis|axis k2|k axis|achse steil",
		"visit.kmax":               "kmax|k max|anterior kmax|maximum k",
		"visit.kmax_posterior":     "posterior kmax|kmax posterior",
		"visit.thinnest":           "thinnest|thinnest point|tct|pachy min|min pachy|dünnste stelle|pachymétrie minimale|paquimetría mínima|pachymetry",
		"visit.apex":               "apex|apex thickness|pachy apex|central thickness|cct",
		"visit.iop":                "iop|augendruck|pio|tio|tension",
		"visit.haze":               "haze|haze grade",
		"visit.densitometry":       "densitometry|densitometrie",
		"visit.ecd":                "ecd|endothelial cell density|cell density|endothelzellzahl|densité endothéliale",
		"visit.cell_cv":            "cv|coefficient of variation",
		"visit.hexagonality":       "hex|hexagonality|hexagonalität",
		"visit.note":               "note|notes|comment|comments|bemerkung|remarque|observaciones",
		"demarcation.depth":        "demarcation depth|dl depth|depth|line depth|tiefe|profondeur|profundidad|demarkationslinie",
		"demarcation.zone":         "zone|line zone|zona",
		"demarcation.seen":         "line|line seen|demarcation|demarcation line|demarcation seen|linie|ligne|línea",
		"demarcation.thickness":    "cornea|corneal thickness|thickness there",
		"demarcation.observer":     "observer|beobachter|observateur|observador",
		"complication.grade":       "grade|severity|schweregrad|gravité|gravedad",
		"complication.action":      "action|measure taken|maßnahme|traitement donné",
		"complication.resolved_on": "resolved|resolved on|abgeheilt|résolu",
		"complication.outcome":     "outcome|ergebnis|issue finale|resultado",
		"follow_up_end.on":         "left on|left follow up|end of follow up|last seen because",
		"follow_up_end.reason":     "reason|reason for leaving|grund|motif|motivo",
		"visit.cells_counted":      "cells|cells counted|gezählte zellen",
		"complication.kind":        "complication|event|adverse event|komplikation|ereignis|événement|complicación",
		"complication.onset":       "onset|complication date",
		"pachymetry.before":        "pachy before|thickness before",
		"pachymetry.after-removal": "pachy after removal|thickness after removal|after removal",
		"pachymetry.after-soak":    "pachy after soak|thickness after soak|after soak",
		"measurement.name":         "measurement|parameter|what",
		"measurement.value":        "value|wert|valeur|valor",
	} {
		for _, h := range strings.Split(headings, "|") {
			list = append(list, usualHeading{h, key})
		}
	}
	sort.Slice(list, func(i, j int) bool {
		if len(list[i].words) != len(list[j].words) {
			return len(list[i].words) > len(list[j].words)
		}
		return list[i].words < list[j].words
	})
	return list
}()
