package pgstore_test

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/pgtest"
)

// Intake and database must refuse the same numbers and the same words, or a
// file would be refused whole for one cell that intake let through.
func TestIntakeAndDatabaseHaveTheSameLimits(t *testing.T) {
	pool := pgtest.New(t)
	rows, err := pool.Query(t.Context(), `
		SELECT c.relname::text || '.' || k.conname::text, pg_get_constraintdef(k.oid)
		FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid WHERE k.contype = 'c'`)
	require.NoError(t, err)
	rules := map[string][]string{} // by table
	for rows.Next() {
		var name, rule string
		require.NoError(t, rows.Scan(&name, &rule))
		table := regexp.MustCompile(`^\w+`).FindString(name)
		rules[table] = append(rules[table], rule)
	}
	require.NoError(t, rows.Err())
	limits := func(table, column string, hard registry.Range, unit measure.Unit) {
		scale := float64(unit.Scale())
		low, high := int(math.Round(hard.Min*scale)), int(math.Round(hard.Max*scale))
		want := regexp.MustCompile(fmt.Sprintf(`\(%s >= \(?%s\)?\) AND \(%s <= %d\)`, column, regexp.QuoteMeta(quoted(low)), column, high))
		require.True(t, slices.ContainsFunc(rules[table], want.MatchString), "%s.%s: intake takes %d to %d, the rules of the table are %v", table, column, low, high, rules[table])
	}
	checked := 0
	for m := range registry.Measures {
		info := registry.Measure(m).Info()
		limits("visit", info.Column, info.Hard, info.Unit)
		checked++
	}
	for k, kind := range registry.Kinds {
		for _, c := range kind.Columns {
			switch {
			case c.Name == "version" || c.Name == "zone_order" || c.Name == "side": // the database asks less of these
			case c.Type == registry.NumberValue:
				limits(kind.Table, c.Name, c.Hard, c.Unit)
				checked++
			case c.Type == registry.CodeValue && len(c.Words) > 0 && c.Words[0] != "yes":
				for _, word := range c.Words {
					require.True(t, slices.ContainsFunc(rules[kind.Table], func(rule string) bool {
						return regexp.MustCompile(`\(` + c.Name + ` = ANY .*'` + word + `'`).MatchString(rule)
					}), "%s.%s: the database does not know %q (kind %d)", kind.Table, c.Name, word, k)
				}
				checked++
			}
		}
	}
	require.Greater(t, checked, 50)
}

// quoted writes a number as PostgreSQL prints it in a rule: negative ones in
// quotation marks, with their type.
func quoted(n int) string {
	if n < 0 {
		return fmt.Sprintf("'%d'::integer", n)
	}
	return fmt.Sprint(n)
}
