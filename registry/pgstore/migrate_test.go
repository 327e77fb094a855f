package pgstore_test

import (
	"io/fs"
	"regexp"
	"strconv"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"keratally/migrations"
	"keratally/registry/pgstore"
	"keratally/registry/pgtest"
)

// Numbers only grow by one, and every step has its way back.
func TestMigrationsArePairs(t *testing.T) {
	names, err := fs.Glob(migrations.Files, "*.sql")
	require.NoError(t, err)
	form := regexp.MustCompile(`^(\d{4})_[a-z0-9_]+\.(up|down)\.sql$`)
	count := map[int]int{}
	for _, name := range names {
		m := form.FindStringSubmatch(name)
		require.NotNil(t, m, name)
		n, err := strconv.Atoi(m[1])
		require.NoError(t, err)
		count[n]++
	}
	for n := 1; n <= len(count); n++ {
		require.Equal(t, 2, count[n], "step %d", n)
	}
}

// Up, down and up again leaves the same schema, and down leaves nothing.
func TestMigrateUpDownUp(t *testing.T) {
	url := pgtest.EmptyURL(t)
	from, to, err := pgstore.Migrate(t.Context(), url)
	require.NoError(t, err)
	require.Zero(t, from)
	first := schema(t, url)
	require.NotEmpty(t, first)
	require.NoError(t, pgstore.MigrateDown(t.Context(), url))
	require.Empty(t, schema(t, url))
	_, again, err := pgstore.Migrate(t.Context(), url)
	require.NoError(t, err)
	require.Equal(t, to, again)
	require.Equal(t, first, schema(t, url))
}

// schema lists every column, constraint, index, function and trigger.
func schema(t *testing.T, url string) []string {
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(t.Context())
	rows, err := conn.Query(t.Context(), `
		SELECT format('%s.%s.%s %s %s', table_schema, table_name, column_name, data_type, is_nullable) FROM information_schema.columns
		WHERE table_schema NOT IN ('pg_catalog', 'information_schema') AND table_name <> 'schema_migrations'
		UNION ALL SELECT format('%s %s', conname, pg_get_constraintdef(oid)) FROM pg_constraint WHERE connamespace NOT IN ('pg_catalog'::regnamespace, 'information_schema'::regnamespace) AND conrelid <> coalesce(to_regclass('schema_migrations'), 0)
		UNION ALL SELECT indexdef FROM pg_indexes WHERE schemaname NOT IN ('pg_catalog', 'information_schema') AND tablename <> 'schema_migrations'
		UNION ALL SELECT pg_get_functiondef(oid) FROM pg_proc WHERE pronamespace NOT IN ('pg_catalog'::regnamespace, 'information_schema'::regnamespace) AND prokind = 'f'
		UNION ALL SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal
		ORDER BY 1`)
	require.NoError(t, err)
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	return out
}

// Programs that start at once on an empty database all find it migrated.
func TestMigrateAtOnce(t *testing.T) {
	url := pgtest.EmptyURL(t)
	var wg sync.WaitGroup
	errs := make([]error, 6)
	for i := range errs {
		wg.Go(func() { _, _, errs[i] = pgstore.Migrate(t.Context(), url) })
	}
	wg.Wait()
	for _, err := range errs {
		require.NoError(t, err)
	}
}

// A step that was marked as begun and never finished is tried again.
func TestMigrateAfterFailedStep(t *testing.T) {
	url := pgtest.EmptyURL(t)
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(t.Context())
	_, err = conn.Exec(t.Context(), "CREATE TABLE schema_migrations (version bigint NOT NULL PRIMARY KEY, dirty boolean NOT NULL); INSERT INTO schema_migrations VALUES (1, true)")
	require.NoError(t, err)
	_, to, err := pgstore.Migrate(t.Context(), url)
	require.NoError(t, err)
	require.NotZero(t, to)
}

// A database of a newer program is refused in words.
func TestMigrateNewerDatabase(t *testing.T) {
	url := pgtest.URL(t)
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(t.Context())
	_, err = conn.Exec(t.Context(), "UPDATE schema_migrations SET version = 9999")
	require.NoError(t, err)
	_, _, err = pgstore.Migrate(t.Context(), url)
	var newer *pgstore.NewerError
	require.ErrorAs(t, err, &newer)
	require.Contains(t, err.Error(), "older than its database")
}
