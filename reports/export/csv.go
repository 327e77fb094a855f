package export

import (
	"bytes"
	"strings"
)

// csvFile returns the table as CSV (RFC 4180, UTF-8, lines ended by CR LF, a
// heading line, missing values empty). Numbers stand bare and text stands in
// quotes, exactly as it was: one that begins with = + - or @ is text.
func csvFile(t *Table) []byte {
	var out bytes.Buffer
	for i, c := range t.Columns {
		if i > 0 {
			out.WriteByte(',')
		}
		out.WriteString(c.Name)
	}
	out.WriteString("\r\n")
	for row := range t.rows {
		for i, c := range t.Columns {
			if i > 0 {
				out.WriteByte(',')
			}
			text := c.Text(row)
			if c.Type == Text && text != "" {
				out.WriteByte('"')
				out.WriteString(strings.ReplaceAll(text, `"`, `""`))
				out.WriteByte('"')
				continue
			}
			out.WriteString(text)
		}
		out.WriteString("\r\n")
	}
	return out.Bytes()
}
