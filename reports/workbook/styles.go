package workbook

import (
	"github.com/xuri/excelize/v2"

	"keratally/reports"
)

// The house colours of a printed page.
const (
	ink      = "1B2328"
	muted    = "5A666D"
	hairline = "DAD8D0"
	accent   = "1F5C7A"
)

// numberFormats are spreadsheet format codes: the cell keeps the full value.
var numberFormats = map[reports.Format]string{
	reports.Whole:      "0",
	reports.OneDec:     "0.0",
	reports.TwoDec:     "0.00",
	reports.ThreeDec:   "0.000",
	reports.Share:      "0.0%",
	reports.PValue:     `[<0.001]"< 0.001";0.000`,
	reports.DayForm:    "d mmm yyyy",
	reports.Scientific: "0.00E+00",
}

type styleKey struct {
	format      reports.Format
	group, link bool
	wrap        bool
	indent      bool // text beside numbers, which end where it begins
}

// styles holds the identities of the styles in use, made once a workbook.
type styles struct {
	title, context, lead, note, reason, headText, headBeside, headNumber int
	made                                                                 map[styleKey]int
}

func newStyles(f *excelize.File) (*styles, error) {
	s := &styles{made: map[styleKey]int{}}
	var err error
	add := func(st excelize.Style) int {
		if err != nil {
			return 0
		}
		if st.Font == nil {
			st.Font = &excelize.Font{}
		}
		st.Font.Family = "Calibri"
		if st.Font.Size == 0 {
			st.Font.Size = 10
		}
		if st.Font.Color == "" {
			st.Font.Color = ink
		}
		id := 0
		id, err = f.NewStyle(&st)
		return id
	}
	s.title = add(excelize.Style{Font: &excelize.Font{Size: 16, Bold: true}})
	s.context = add(excelize.Style{Font: &excelize.Font{Color: muted}})
	s.lead = add(excelize.Style{Font: &excelize.Font{Size: 11}, Alignment: &excelize.Alignment{Vertical: "top", WrapText: true}})
	s.note = add(excelize.Style{Font: &excelize.Font{Color: muted, Size: 9}})
	s.reason = add(excelize.Style{Font: &excelize.Font{Color: muted, Italic: true, Size: 9}, Alignment: &excelize.Alignment{Vertical: "top", Horizontal: "left", Indent: 1}})
	rule := []excelize.Border{{Type: "bottom", Color: accent, Style: 1}}
	s.headText = add(excelize.Style{Font: &excelize.Font{Bold: true}, Border: rule,
		Alignment: &excelize.Alignment{Vertical: "bottom", WrapText: true}})
	s.headBeside = add(excelize.Style{Font: &excelize.Font{Bold: true}, Border: rule,
		Alignment: &excelize.Alignment{Vertical: "bottom", Horizontal: "left", Indent: 1, WrapText: true}})
	s.headNumber = add(excelize.Style{Font: &excelize.Font{Bold: true}, Border: rule,
		Alignment: &excelize.Alignment{Vertical: "bottom", Horizontal: "right", WrapText: true}})
	formats := []reports.Format{reports.General, reports.Whole, reports.OneDec, reports.TwoDec, reports.ThreeDec,
		reports.Share, reports.PValue, reports.DayForm, reports.Scientific}
	for _, format := range formats {
		for _, group := range []bool{false, true} {
			for _, link := range []bool{false, true} {
				st := excelize.Style{Font: &excelize.Font{Bold: group}, Alignment: &excelize.Alignment{Vertical: "top"}}
				if code, ok := numberFormats[format]; ok {
					st.CustomNumFmt = &code
				}
				if group {
					st.Border = []excelize.Border{{Type: "top", Color: hairline, Style: 1}}
				}
				if link {
					st.Font.Color = accent
				}
				s.made[styleKey{format: format, group: group, link: link}] = add(st)
				if format == reports.General {
					for _, wrap := range []bool{false, true} {
						for _, indent := range []bool{false, true} {
							st.Alignment = &excelize.Alignment{Vertical: "top", WrapText: wrap}
							if indent { // an indent needs a side
								st.Alignment.Horizontal, st.Alignment.Indent = "left", 1
							}
							s.made[styleKey{group: group, link: link, wrap: wrap, indent: indent}] = add(st)
						}
					}
				}
			}
		}
	}
	return s, err
}

func (s *styles) of(f reports.Format, group, link bool) int {
	return s.made[styleKey{format: f, group: group, link: link}]
}

func (s *styles) ofText(group, wrap, indent, link bool) int {
	return s.made[styleKey{group: group, wrap: wrap, indent: indent, link: link}]
}
