package pgstore

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry"
)

// The SQL names its columns itself; here it is held to the one list of kinds
// and measures.
func TestTheSQLOfIntakeNamesEveryColumn(t *testing.T) {
	list := copyVisits[strings.Index(copyVisits, "(")+1 : strings.Index(copyVisits, ")")]
	columns := strings.FieldsFunc(list, func(r rune) bool { return r == ',' || r == ' ' || r == '\n' || r == '\t' })
	require.Len(t, columns, copyVisitColumns)
	for m, info := range registry.Measures {
		require.Equal(t, info.Column, columns[4+m])
	}
	for k, info := range registry.Kinds {
		kind := registry.Kind(k)
		sql, ok := changeSQL[kind]
		require.True(t, ok, info.Key)
		require.Equal(t, info.Owned, sql.clear != "", info.Key)
		names := columns[4 : len(columns)-2]
		if kind != registry.VisitRecord {
			names = nil
			for _, c := range info.Columns[info.Keys:] {
				names = append(names, c.Name)
			}
		}
		for _, name := range names {
			require.Contains(t, sql.write, name+" = ", "%s: what is entered can be changed and put back", info.Key)
		}
	}
}
