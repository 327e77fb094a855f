package intake

import (
	"bytes"
	"context"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"keratally/registry"
)

// keeping is a session that keeps what is written in memory: an empty
// registry, for tests of what rows become.
type keeping struct {
	parts     []*registry.Part
	visits    []*registry.VisitPart
	queries   []registry.Query
	committed bool
}

func (k *keeping) Begin(context.Context, registry.Intake, string, string) (registry.ID, []string, registry.Holdings, error) {
	return registry.NewID(), nil, registry.Holdings{}, nil
}

func (k *keeping) Holdings(context.Context, []string) (registry.Holdings, error) {
	return registry.Holdings{}, nil
}

func (k *keeping) Write(_ context.Context, d *registry.Delivery) error {
	k.parts = append(k.parts, d.NewParts...)
	k.visits = append(k.visits, d.NewVisits...)
	k.queries = append(k.queries, d.Queries...)
	return nil
}

func (k *keeping) Commit(context.Context, registry.Intake) error {
	k.committed = true
	return nil
}

func (k *keeping) Rollback(context.Context) error { return nil }

// of lists the records of a kind.
func (k *keeping) of(kind registry.Kind) (list []*registry.Part) {
	for _, p := range k.parts {
		if p.Kind == kind {
			list = append(list, p)
		}
	}
	return list
}

func readMapping(t *testing.T, file string) *Mapping {
	t.Helper()
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	m, err := ParseMapping(text)
	require.NoError(t, err)
	return m
}

func parseMapping(t *testing.T, text string) *Mapping {
	t.Helper()
	m, err := ParseMapping([]byte("name = \"test\"\ncentre = \"c\"\n" + text))
	require.NoError(t, err)
	return m
}

// takeText takes the bytes of a file into a session, with 2026-11-24 as today.
func takeText(t *testing.T, s Session, name string, file []byte, m *Mapping) *Result {
	t.Helper()
	result, err := tryText(t, s, name, file, m)
	require.NoError(t, err)
	return result
}

func tryText(t *testing.T, s Session, name string, file []byte, m *Mapping) (*Result, error) {
	t.Helper()
	today, err := registry.ParseISODate("2026-11-24")
	require.NoError(t, err)
	book, err := Read(bytes.NewReader(file), int64(len(file)), name, m.File)
	if err != nil {
		return nil, err
	}
	return Take(t.Context(), s, book, m, Options{Today: today, Person: "test"})
}

// refusedRowsOf reads a sheet of the workbook of refused rows.
func refusedRowsOf(t *testing.T, r *Result, sheet string) [][]string {
	t.Helper()
	var file bytes.Buffer
	require.NoError(t, r.WriteRefusals(&file))
	book, err := excelize.OpenReader(&file)
	require.NoError(t, err)
	defer book.Close()
	rows, err := book.GetRows(sheet, excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	return rows
}
