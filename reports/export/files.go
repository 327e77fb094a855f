package export

// File is one file of an export.
type File struct {
	Name    string
	Content []byte
	SHA256  string

	format string
}

// codebookWidths are the columns of the codebook as a sheet, in characters.
var codebookWidths = map[string]float64{"table": 14, "column": 34, "label": 34, "unit": 10, "type": 9, "values": 52, "missing": 9, "definition": 60}

// Files returns the whole export, in the order in which it is listed.
func (e *Export) Files() ([]File, error) {
	var files []File
	add := func(name, format string, content []byte) {
		files = append(files, File{Name: name, Content: content, SHA256: Hash(content), format: format})
	}
	book := e.codebook()
	holds := map[string][]*Table{}
	switch e.Options.Format {
	case CSV:
		for _, t := range e.Tables {
			add(t.Name+".csv", CSV, csvFile(t))
			holds[t.Name+".csv"] = []*Table{t}
		}
	case Parquet:
		for _, t := range e.Tables {
			content, err := parquetFile(t, e.Options.Program)
			if err != nil {
				return nil, err
			}
			add(t.Name+".parquet", Parquet, content)
			holds[t.Name+".parquet"] = []*Table{t}
		}
	case XLSX:
		sheets := append(e.Tables[:len(e.Tables):len(e.Tables)], book)
		content, err := xlsxFile(sheets, codebookWidths)
		if err != nil {
			return nil, err
		}
		add("export.xlsx", XLSX, content)
		holds["export.xlsx"] = sheets
	}
	add("codebook.csv", CSV, csvFile(book))
	if e.Options.Format != XLSX {
		holds["codebook.csv"] = []*Table{book}
	}
	descriptor, err := e.descriptor(files, holds)
	if err != nil {
		return nil, err
	}
	add("datapackage.json", "", descriptor)
	definitions, err := EncodeDefinitions(e.definitions)
	if err != nil {
		return nil, err
	}
	add("definitions.json", "", definitions)
	add("README.txt", "", e.readme())
	for _, name := range []string{"analysis.R", "analysis.py"} {
		content, err := e.script(name)
		if err != nil {
			return nil, err
		}
		add(name, "", content)
	}
	return files, nil
}
