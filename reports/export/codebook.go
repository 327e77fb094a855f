package export

import "strings"

// codebook describes every column of every table, one row a column.
func (e *Export) codebook() *Table {
	t := &Table{Name: "codebook", Title: "Every column of every table", Key: []string{"table", "column"}}
	names := []string{"table", "column", "label", "unit", "type", "values", "missing", "definition"}
	labels := []string{"table", "column", "label", "unit", "type", "values and their meaning", "how a missing value is written", "definition"}
	for i, name := range names {
		t.add(Column{Name: name, Label: labels[i], Type: Text})
	}
	for _, table := range e.Tables {
		for _, c := range table.Columns {
			for i, text := range []string{table.Name, c.Name, c.Label, c.Unit, c.Type.String(), codeWords(c.Codes), "empty", c.Definition} {
				t.Columns[i].text(text)
			}
			t.rows++
		}
	}
	return t
}

// codeWords returns "0 = no; 1 = yes".
func codeWords(codes []Code) string {
	words := make([]string, len(codes))
	for i, c := range codes {
		words[i] = c.Value
		if c.Meaning != "" {
			words[i] += " = " + c.Meaning
		}
	}
	return strings.Join(words, "; ")
}
