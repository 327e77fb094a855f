package pgstore_test

import (
	"context"
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

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

// Each step: up, down and up again leaves the same schema, and down leaves what was
// before. A step that fails at its last statement leaves nothing, and the next run mends it.
func TestEachStepUpDownUp(t *testing.T) {
	url := pgtest.EmptyURL(t)
	before := schema(t, url)
	require.Empty(t, before)
	for n := uint(1); n <= newest(t); n++ {
		t.Run(fmt.Sprintf("step %d", n), func(t *testing.T) {
			upTo, failing := stepsUpTo(t, n, ""), stepsUpTo(t, n, "\n;\nSELECT 1/0;\n")
			_, _, err := pgstore.MigrateFiles(t.Context(), url, failing)
			var refused *pgstore.StepError
			require.ErrorAs(t, err, &refused)
			require.ErrorContains(t, err, "division by zero")
			require.Equal(t, before, schema(t, url), "nothing of a failed step stays")

			from, to, err := pgstore.MigrateFiles(t.Context(), url, upTo)
			require.NoError(t, err)
			require.Equal(t, n-1, from)
			require.Equal(t, n, to)
			after := schema(t, url)

			other := pgtest.EmptyURL(t)
			_, _, err = pgstore.MigrateFiles(t.Context(), other, upTo)
			require.NoError(t, err)
			back(t, other, upTo)
			require.Equal(t, before, schema(t, other), "the way back leads to where it was")
			_, _, err = pgstore.MigrateFiles(t.Context(), other, upTo)
			require.NoError(t, err)
			require.Equal(t, after, schema(t, other))
			before = after
		})
	}
}

// back takes the newest step back, with the program's own file, as its own way down would.
func back(t *testing.T, url string, files fstest.MapFS) {
	t.Helper()
	names, err := fs.Glob(files, "*.down.sql")
	require.NoError(t, err)
	slices.Sort(names)
	last := names[len(names)-1]
	n, err := strconv.Atoi(last[:4])
	require.NoError(t, err)
	execute(t, url, string(files[last].Data))
	execute(t, url, fmt.Sprintf("DELETE FROM schema_step WHERE step = %d; UPDATE schema_migrations SET version = %d", n, n-1))
	if n == 1 {
		execute(t, url, "DELETE FROM schema_migrations")
	}
}

// stepsUpTo returns the program's steps up to n, the last with more at the end of its way up.
func stepsUpTo(t *testing.T, n uint, more string) fstest.MapFS {
	t.Helper()
	names, err := fs.Glob(migrations.Files, "*.sql")
	require.NoError(t, err)
	files := fstest.MapFS{}
	for _, name := range names {
		number, err := strconv.ParseUint(name[:4], 10, 32)
		require.NoError(t, err)
		body, err := fs.ReadFile(migrations.Files, name)
		require.NoError(t, err)
		if uint(number) == n && strings.HasSuffix(name, ".up.sql") {
			body = append(body, more...)
		}
		if uint(number) <= n {
			files[name] = &fstest.MapFile{Data: body}
		}
	}
	return files
}

func newest(t *testing.T) uint {
	t.Helper()
	names, err := fs.Glob(migrations.Files, "*.up.sql")
	require.NoError(t, err)
	return uint(len(names)) // TestMigrationsArePairs: numbers grow by one
}

func execute(t *testing.T, url, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	_, err = conn.PgConn().Exec(t.Context(), sql).ReadAll()
	require.NoError(t, err)
}

// The whole way: up, down and up again.
func TestMigrateUpDownUp(t *testing.T) {
	url := pgtest.EmptyURL(t)
	from, to, err := pgstore.Migrate(t.Context(), url)
	require.NoError(t, err)
	require.Zero(t, from)
	require.Equal(t, newest(t), to)
	first := schema(t, url)
	require.NoError(t, pgstore.MigrateDown(t.Context(), url))
	require.Empty(t, schema(t, url))
	from, to, err = pgstore.Migrate(t.Context(), url)
	require.NoError(t, err)
	require.Zero(t, from)
	require.Equal(t, newest(t), to)
	require.Equal(t, first, schema(t, url))
	from, to, err = pgstore.Migrate(t.Context(), url)
	require.NoError(t, err)
	require.Equal(t, to, from, "nothing to do")
}

// schema lists every column, constraint, index, function and trigger.
func schema(t *testing.T, url string) []string {
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(t.Context())
	rows, err := conn.Query(t.Context(), `
		SELECT format('%s.%s.%s %s %s', table_schema, table_name, column_name, data_type, is_nullable) FROM information_schema.columns
		WHERE table_schema NOT IN ('pg_catalog', 'information_schema') AND table_name NOT IN ('schema_migrations', 'schema_step')
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
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	var lines, distinct uint
	require.NoError(t, conn.QueryRow(t.Context(), "SELECT count(*), count(DISTINCT step) FROM schema_step").Scan(&lines, &distinct))
	require.Equal(t, newest(t), lines, "each step was done once")
	require.Equal(t, lines, distinct)
}

// Steps of our own, whose second is refused at its third line.
func twoSteps(second string) fstest.MapFS {
	return fstest.MapFS{
		"0001_a.up.sql":   {Data: []byte("CREATE TABLE a (n int)")},
		"0001_a.down.sql": {Data: []byte("DROP TABLE a -- no semicolon")},
		"0002_b.up.sql":   {Data: []byte(second)},
		"0002_b.down.sql": {Data: []byte("DROP TABLE b;")},
	}
}

func TestRefusedStepNamesItsLineAndIsTriedAgain(t *testing.T) {
	url := pgtest.EmptyURL(t)
	_, _, err := pgstore.MigrateFiles(t.Context(), url, twoSteps("CREATE TABLE b (n int);\n\nINSERT INTO c VALUES (1);\n"))
	var refused *pgstore.StepError
	require.ErrorAs(t, err, &refused)
	require.Equal(t, "0002_b.up.sql", refused.File)
	require.Equal(t, uint(3), refused.Line)
	require.Equal(t, "INSERT INTO c VALUES (1);", refused.Text)
	require.ErrorContains(t, err, `relation "c" does not exist`)

	mended := twoSteps("CREATE TABLE b (n int);")
	from, to, err := pgstore.MigrateFiles(t.Context(), url, mended)
	require.NoError(t, err)
	require.Equal(t, uint(1), from)
	require.Equal(t, uint(2), to)
	require.NoError(t, pgstore.MigrateFilesDown(t.Context(), url, mended))
	require.Empty(t, schema(t, url))
}

// A program that is killed after its step is committed and before the library's mark is set
// leaves a mark as of a failed step. The step is not done twice.
func TestFinishedStepWithTheMarkOfAnUnfinishedOne(t *testing.T) {
	url := pgtest.URL(t)
	before := schema(t, url)
	execute(t, url, "UPDATE schema_migrations SET dirty = true")
	from, to, err := pgstore.Migrate(t.Context(), url)
	require.NoError(t, err)
	require.Equal(t, newest(t), from)
	require.Equal(t, newest(t), to)
	require.Equal(t, before, schema(t, url))
}

// Databases from before there was a ledger.
func TestMigrateWithoutALedger(t *testing.T) {
	url := pgtest.EmptyURL(t)
	execute(t, url, "CREATE TABLE schema_migrations (version bigint NOT NULL PRIMARY KEY, dirty boolean NOT NULL); INSERT INTO schema_migrations VALUES (1, true)")
	_, to, err := pgstore.Migrate(t.Context(), url)
	require.NoError(t, err)
	require.Equal(t, newest(t), to)

	url = pgtest.URL(t)
	execute(t, url, "DROP TABLE schema_step")
	from, to, err := pgstore.Migrate(t.Context(), url)
	require.NoError(t, err)
	require.Equal(t, newest(t), from)
	require.Equal(t, newest(t), to)
}

// Whoever waits for another program waits at most as long as lockTimeout; here the caller's
// patience ends first.
func TestMigrateWhileAnotherProgramMigrates(t *testing.T) {
	url := pgtest.EmptyURL(t)
	other, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	_, err = other.Exec(t.Context(), "SELECT pg_advisory_lock($1)", pgstore.MigrationLock)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	_, _, err = pgstore.Migrate(ctx, url)
	require.ErrorIs(t, err, context.DeadlineExceeded)
	require.ErrorContains(t, err, "waiting for another program that is migrating")
	require.NoError(t, other.Close(t.Context()))
	_, to, err := pgstore.Migrate(t.Context(), url)
	require.NoError(t, err)
	require.Equal(t, newest(t), to)
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
