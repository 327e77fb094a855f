package export

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"

	"keratally/registry"
)

// The descriptor is a data package (Frictionless, profile tabular-data-package
// for text files).
type dataPackage struct {
	Profile     string     `json:"profile"`
	Name        string     `json:"name"`
	Title       string     `json:"title"`
	Description string     `json:"description"`
	Version     string     `json:"version"`
	Licenses    []license  `json:"licenses"`
	Snapshot    string     `json:"snapshot"`
	Program     string     `json:"program"`
	Resources   []resource `json:"resources"`
}

type license struct {
	Name  string `json:"name"`
	Title string `json:"title"`
}

type resource struct {
	Profile   string  `json:"profile"`
	Name      string  `json:"name"`
	Title     string  `json:"title,omitempty"`
	Path      string  `json:"path"`
	Format    string  `json:"format"`
	MediaType string  `json:"mediatype"`
	Encoding  string  `json:"encoding,omitempty"`
	Sheet     string  `json:"sheet,omitempty"`
	Hash      string  `json:"hash"`
	Bytes     int     `json:"bytes"`
	Schema    *schema `json:"schema,omitempty"`
}

type schema struct {
	Fields        []field      `json:"fields"`
	MissingValues []string     `json:"missingValues"`
	PrimaryKey    []string     `json:"primaryKey,omitempty"`
	ForeignKeys   []foreignKey `json:"foreignKeys,omitempty"`
}

type foreignKey struct {
	Fields    string    `json:"fields"`
	Reference reference `json:"reference"`
}

type reference struct {
	Resource string `json:"resource"`
	Fields   string `json:"fields"`
}

type field struct {
	Name        string       `json:"name"`
	Title       string       `json:"title,omitempty"`
	Description string       `json:"description,omitempty"`
	Type        string       `json:"type"`
	Unit        string       `json:"unit,omitempty"`
	Constraints *constraints `json:"constraints,omitempty"`
}

type constraints struct {
	Enum []any `json:"enum"`
}

// Hash returns the SHA-256 of content in hexadecimal.
func Hash(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}

// schemaOf describes a table; the columns are its one source, as they are the
// codebook's. A key of several columns is not declared: one of them may be missing.
func schemaOf(t *Table) *schema {
	s := &schema{MissingValues: []string{""}}
	if len(t.Key) == 1 {
		s.PrimaryKey = t.Key
	}
	for _, c := range t.Columns {
		f := field{Name: c.Name, Title: c.Label, Description: c.Definition, Type: c.Type.String(), Unit: c.Unit}
		if len(c.Codes) > 0 {
			f.Constraints = &constraints{}
			for _, code := range c.Codes {
				if c.Type == Text {
					f.Constraints.Enum = append(f.Constraints.Enum, code.Value)
				} else {
					f.Constraints.Enum = append(f.Constraints.Enum, json.Number(code.Value))
				}
			}
		}
		s.Fields = append(s.Fields, f)
	}
	if t.Name != "episodes" && t.Column("episode") != nil {
		s.ForeignKeys = []foreignKey{{Fields: "episode", Reference: reference{Resource: "episodes", Fields: "episode"}}}
	}
	return s
}

var mediaTypes = map[string]string{CSV: "text/csv", XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", Parquet: "application/vnd.apache.parquet"}

// descriptor returns datapackage.json for the files that hold tables.
func (e *Export) descriptor(files []File, tables map[string][]*Table) ([]byte, error) {
	p := dataPackage{Profile: "tabular-data-package", Name: "corneal-cross-linking-outcomes", Title: "Outcomes after corneal cross-linking, without identities",
		Description: "Released for a stated purpose and kept in a log; see README.txt.", Version: "1.0.0",
		Licenses: []license{{"other-closed", "for the purpose for which it was released"}}, Snapshot: e.snapshotID, Program: e.Options.Program}
	if e.Options.Format != CSV {
		p.Profile = "data-package"
	}
	for _, f := range files {
		for _, t := range tables[f.Name] {
			r := resource{Profile: "data-resource", Name: t.Name, Title: t.Title, Path: f.Name, Format: f.format, MediaType: mediaTypes[f.format], Hash: "sha256:" + f.SHA256, Bytes: len(f.Content), Schema: schemaOf(t)}
			switch f.format {
			case CSV:
				r.Profile, r.Encoding = "tabular-data-resource", "utf-8"
			case XLSX:
				r.Sheet = t.Name
			}
			p.Resources = append(p.Resources, r)
		}
	}
	return indented(p)
}

func indented(v any) ([]byte, error) {
	text, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("research export: %w", err)
	}
	return append(text, '\n'), nil
}

// definition is a definition as it stands in definitions.json.
type definition struct {
	Kind    registry.DefinitionKind `json:"kind"`
	Name    string                  `json:"name"`
	Version int                     `json:"version"`
	Valid   string                  `json:"valid_from"`
	Note    string                  `json:"note,omitempty"`
	Body    json.RawMessage         `json:"body"`
}

// EncodeDefinitions returns the definitions as definitions.json has them.
func EncodeDefinitions(d registry.Definitions) ([]byte, error) {
	var list []definition
	for _, one := range d.All() {
		stored, err := registry.EncodeDefinition(one)
		if err != nil {
			return nil, err
		}
		list = append(list, definition{stored.Kind, stored.Name, stored.Version, stored.ValidFrom.String(), stored.Note, stored.Body})
	}
	return indented(list)
}

// DecodeDefinitions is the inverse of EncodeDefinitions.
func DecodeDefinitions(text []byte) (d registry.Definitions, err error) {
	var list []definition
	if err := json.Unmarshal(text, &list); err != nil {
		return d, fmt.Errorf("definitions: %w", err)
	}
	for _, one := range list {
		from, err := registry.ParseISODate(one.Valid)
		if err != nil {
			return d, fmt.Errorf("definition of %s %s: %w", one.Kind, one.Name, err)
		}
		stored := registry.StoredDefinition{Kind: one.Kind, Stamp: registry.Stamp{Name: one.Name, Version: one.Version, ValidFrom: from, Note: one.Note}, Body: one.Body}
		switch one.Kind {
		case registry.WindowsKind:
			d.Windows, err = registry.DecodeDefinition[registry.WindowSet](stored)
		case registry.ProgressionKind:
			var rule registry.ProgressionRule
			rule, err = registry.DecodeDefinition[registry.ProgressionRule](stored)
			d.Progression = append(d.Progression, rule)
		case registry.OffChartKind:
			d.OffChart, err = registry.DecodeDefinition[registry.OffChartTable](stored)
		case registry.ComplicationsKind:
			d.Complications, err = registry.DecodeDefinition[registry.ComplicationKinds](stored)
		case registry.AnalysisKind:
			d.Analysis, err = registry.DecodeDefinition[registry.AnalysisSettings](stored)
		default:
			err = fmt.Errorf("definition of %s %s: should be of a kind that an export uses", one.Kind, one.Name)
		}
		if err != nil {
			return d, err
		}
	}
	return d, d.Check()
}
