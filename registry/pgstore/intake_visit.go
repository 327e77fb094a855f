package pgstore

import (
	"encoding/binary"

	"keratally/registry"
	"keratally/registry/measure"
)

// copyVisits takes visits in the binary form of COPY, columns as encodeVisits
// writes them.
const copyVisits = `
	COPY visit (id, centre_id, eye_id, visited_on,
	            udva_e3, cdva_e3, clva_e3, sphere_e2, cylinder_e2, refraction_axis, k1_e2, k2_e2, steep_axis, kmax_e2, kmax_posterior_e2,
	            thinnest_um, apex_um, iop_e1, haze_e1, densitometry_e1, ecd_cells, cell_cv_e1, hexagonality_e1, cells_counted,
	            udva_off_chart, cdva_off_chart, clva_off_chart, lens_free_days,
	            acuity_chart, haze_scale, tomographer, endothelial_camera, note, entered, batch_id, source_row)
	FROM STDIN (FORMAT binary)`

const copyVisitColumns = 4 + registry.NumMeasures + 3 + 1 + 6 + 2

// The binary form of COPY (PostgreSQL manual, COPY, "Binary Format"): a
// signature, flags and the length of an extension; for each row the number of
// columns, for each column its length and bytes, −1 for NULL; −1 at the end.
var (
	copySignature = []byte("PGCOPY\n\xff\r\n\x00\x00\x00\x00\x00\x00\x00\x00\x00")
	copyEnd       = []byte{0xFF, 0xFF}
	copyNull      = []byte{0xFF, 0xFF, 0xFF, 0xFF}
)

// postgresEpoch is 2000-01-01 in days from 1970-01-01.
const postgresEpoch = 10957

// encodeVisits writes new visits for copyVisits, byte by byte: there may be a
// million of them.
func (in *Intake) encodeVisits(visits []*registry.VisitPart) []byte {
	b := make([]byte, 0, len(visits)*280+64)
	b = append(b, copySignature...)
	for _, v := range visits {
		b = binary.BigEndian.AppendUint16(b, uint16(copyVisitColumns))
		b = appendUUID(b, v.ID)
		b = appendUUID(b, in.centre)
		b = appendUUID(b, v.Eye.ID)
		b = appendInt(b, v.On.Days()-postgresEpoch)
		for _, s := range v.Values {
			b = appendSteps(b, s)
		}
		for _, o := range v.OffChart {
			if o == 0 {
				b = append(b, copyNull...)
				continue
			}
			b = append(b, 0, 0, 0, 2, 0, byte(o))
		}
		b = appendSteps(b, v.LensFreeDays)
		if t := v.Texts; t != nil {
			b = appendText(b, t.AcuityChart)
			b = appendText(b, t.HazeScale)
			b = appendText(b, t.Tomographer)
			b = appendText(b, t.EndothelialCamera)
			b = appendText(b, t.Note)
			b = appendText(b, t.Entered)
		} else {
			for range 6 {
				b = append(b, copyNull...)
			}
		}
		b = appendUUID(b, in.batch.ID)
		b = appendInt(b, v.Source.Row)
	}
	return append(b, copyEnd...)
}

func appendUUID(b []byte, id registry.ID) []byte {
	b = append(b, 0, 0, 0, 16)
	return append(b, id[:]...)
}

func appendInt(b []byte, n int32) []byte {
	b = append(b, 0, 0, 0, 4)
	return binary.BigEndian.AppendUint32(b, uint32(n))
}

func appendSteps(b []byte, s measure.Steps) []byte {
	if s == measure.None {
		return append(b, copyNull...)
	}
	return appendInt(b, int32(s))
}

func appendText(b []byte, s string) []byte {
	if s == "" {
		return append(b, copyNull...)
	}
	b = binary.BigEndian.AppendUint32(b, uint32(len(s)))
	return append(b, s...)
}

// visitAsJSON returns the columns of a visit as jsonb_populate_recordset
// reads them.
func (in *Intake) visitAsJSON(v *registry.VisitPart) map[string]any {
	row := map[string]any{"id": v.ID}
	for m := range v.Values {
		row[registry.Measure(m).Info().Column] = stepsOrNil(v.Values[m])
	}
	for i, column := range []string{"udva_off_chart", "cdva_off_chart", "clva_off_chart"} {
		row[column] = nil
		if v.OffChart[i] != 0 {
			row[column] = v.OffChart[i]
		}
	}
	row["lens_free_days"] = stepsOrNil(v.LensFreeDays)
	var t registry.VisitTexts
	if v.Texts != nil {
		t = *v.Texts
	}
	for column, text := range map[string]string{
		"acuity_chart": t.AcuityChart, "haze_scale": t.HazeScale, "tomographer": t.Tomographer,
		"endothelial_camera": t.EndothelialCamera, "note": t.Note, "entered": t.Entered,
	} {
		row[column] = nil
		if text != "" {
			row[column] = text
		}
	}
	return row
}

func stepsOrNil(s measure.Steps) any {
	if s == measure.None {
		return nil
	}
	return int32(s)
}
