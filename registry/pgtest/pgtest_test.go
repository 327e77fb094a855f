package pgtest_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry/pgtest"
)

// Each test has a database of its own with the whole schema in it.
func TestNewDatabasesAreApart(t *testing.T) {
	a, b := pgtest.New(t), pgtest.New(t)
	_, err := a.Exec(t.Context(), "INSERT INTO centre VALUES ('01900000-0000-7000-8000-000000000001', 'N', 'North')")
	require.NoError(t, err)
	var n int
	require.NoError(t, b.QueryRow(t.Context(), "SELECT count(*) FROM centre").Scan(&n))
	require.Zero(t, n)
}
