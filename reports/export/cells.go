package export

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// quasi are the columns by which a patient might be recognised: sex, age as it
// is given, diagnosis and protocol. The year of treatment is not exported.
var quasi = []string{"sex", "age_band", "age_years", "diagnosis", "protocol"}

const quasiWords = "sex, age, diagnosis and protocol"

// SmallCell is the patients alike in everything by which they might be
// recognised.
type SmallCell struct {
	Values             [][2]string // column and value, "" for missing
	Patients, Episodes int
}

// String returns "3 patients (4 episodes): sex male, age_band 20-24, …".
func (c SmallCell) String() string {
	words := make([]string, len(c.Values))
	for i, v := range c.Values {
		if v[1] == "" {
			v[1] = "missing"
		}
		words[i] = v[0] + " " + v[1]
	}
	people := "patients"
	if c.Patients == 1 {
		people = "patient"
	}
	return fmt.Sprintf("%d %s (%d episodes): %s", c.Patients, people, c.Episodes, strings.Join(words, ", "))
}

// alike sorts the rows of the table of episodes into groups by the columns.
func alike(t *Table, columns []string) (groups map[string][]int, present []*Column) {
	for _, name := range columns {
		if c := t.Column(name); c != nil {
			present = append(present, c)
		}
	}
	groups = map[string][]int{}
	values := make([]string, len(present))
	for row := range t.rows {
		for i, c := range present {
			values[i] = c.Text(row)
		}
		key := strings.Join(values, "\x1f")
		groups[key] = append(groups[key], row)
	}
	return groups, present
}

// persons counts the patients of rows.
func persons(t *Table, rows []int) int {
	patient, seen := t.Column("patient"), map[float64]bool{}
	for _, row := range rows {
		seen[patient.Number(row)] = true
	}
	return len(seen)
}

// smallCells returns the groups of fewer than k patients, the smallest first;
// the size of the smallest group of all; and how many groups there are. A
// patient whose episodes differ, in protocol or age, counts in each group.
func smallCells(t *Table, k int) (cells []SmallCell, smallest, groups int) {
	byKey, columns := alike(t, quasi)
	for _, rows := range byKey {
		n := persons(t, rows)
		if smallest == 0 || n < smallest {
			smallest = n
		}
		if n >= k {
			continue
		}
		c := SmallCell{Patients: n, Episodes: len(rows)}
		for _, column := range columns {
			c.Values = append(c.Values, [2]string{column.Name, column.Text(rows[0])})
		}
		cells = append(cells, c)
	}
	slices.SortFunc(cells, func(a, b SmallCell) int {
		return cmp.Or(cmp.Compare(a.Patients, b.Patients), slices.CompareFunc(a.Values, b.Values, func(x, y [2]string) int { return cmp.Compare(x[1], y[1]) }))
	})
	return cells, smallest, len(byKey)
}

// Suppression is how many values of a column were blanked so that patients are
// not recognised.
type Suppression struct {
	Column string
	Values int
}

// suppress blanks, in groups of fewer than k patients, first the age, then
// the sex, then the diagnosis, each only in the groups that are still small.
// The protocol is never blanked, because comparisons rest on it: the rows of the
// groups that are small to the end are returned, to be left out.
func suppress(t *Table, k int) (done []Suppression, alone []int) {
	for _, names := range [][]string{{"age_band", "age_years"}, {"sex"}, {"diagnosis"}} {
		groups, _ := alike(t, quasi)
		for _, name := range names {
			column, blanked := t.Column(name), 0
			if column == nil {
				continue
			}
			for _, rows := range groups {
				if persons(t, rows) >= k {
					continue
				}
				for _, row := range rows {
					if !column.Missing(row) {
						column.blank(row)
						blanked++
					}
				}
			}
			if blanked > 0 {
				done = append(done, Suppression{name, blanked})
				column.Definition = strings.TrimPrefix(column.Definition+"; missing also where it was withheld because too few patients were alike", "; ")
			}
		}
	}
	groups, _ := alike(t, quasi)
	for _, rows := range groups {
		if persons(t, rows) < k {
			alone = append(alone, rows...)
		}
	}
	return done, alone
}
