package export

import (
	"bytes"
	"fmt"

	"github.com/parquet-go/parquet-go"
)

// ordered is a group whose fields keep the order of the columns; the library's
// own sorts them by name.
type ordered struct {
	parquet.Group
	names []string
}

// Fields returns the fields in the order of the columns.
func (g *ordered) Fields() []parquet.Field {
	byName := map[string]parquet.Field{}
	for _, f := range g.Group.Fields() {
		byName[f.Name()] = f
	}
	fields := make([]parquet.Field, len(g.names))
	for i, name := range g.names {
		fields[i] = byName[name]
	}
	return fields
}

// rowsAtOnce is how many rows are handed to the library together.
const rowsAtOnce = 512

// parquetFile returns the table as Parquet, compressed by zstd: integers of 64
// bits, doubles and UTF-8 strings, all optional. Labels and units stand in the
// metadata of the file. Nothing in it comes from a clock.
func parquetFile(t *Table, program string) ([]byte, error) {
	group := &ordered{Group: parquet.Group{}}
	options := []parquet.WriterOption{parquet.Compression(&parquet.Zstd), parquet.CreatedBy("keratally", program, "none")}
	for _, c := range t.Columns {
		var node parquet.Node
		switch c.Type {
		case Integer:
			node = parquet.Int(64)
		case Number:
			node = parquet.Leaf(parquet.DoubleType)
		default:
			node = parquet.Encoded(parquet.String(), &parquet.RLEDictionary)
		}
		group.Group[c.Name] = parquet.Optional(node)
		group.names = append(group.names, c.Name)
		options = append(options, parquet.KeyValueMetadata("label:"+c.Name, c.Label))
		if c.Unit != "" {
			options = append(options, parquet.KeyValueMetadata("unit:"+c.Name, c.Unit))
		}
	}
	var out bytes.Buffer
	w := parquet.NewGenericWriter[any](&out, append(options, parquet.NewSchema(t.Name, group))...)
	rows := make([]parquet.Row, 0, rowsAtOnce)
	for row := range t.rows {
		values := make(parquet.Row, len(t.Columns))
		for i, c := range t.Columns {
			values[i] = parquetValue(c, row).Level(0, present(c, row), i)
		}
		if rows = append(rows, values); len(rows) == rowsAtOnce || row == t.rows-1 {
			if _, err := w.WriteRows(rows); err != nil {
				return nil, fmt.Errorf("table %s as parquet: %w", t.Name, err)
			}
			rows = rows[:0]
		}
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("table %s as parquet: %w", t.Name, err)
	}
	return out.Bytes(), nil
}

func present(c *Column, row int) int {
	if c.Missing(row) {
		return 0
	}
	return 1
}

func parquetValue(c *Column, row int) parquet.Value {
	switch {
	case c.Missing(row):
		return parquet.NullValue()
	case c.Type == Integer:
		return parquet.Int64Value(int64(c.Number(row)))
	case c.Type == Number:
		return parquet.DoubleValue(c.Number(row))
	}
	return parquet.ByteArrayValue([]byte(c.Text(row)))
}
