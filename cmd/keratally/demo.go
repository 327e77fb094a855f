package main

import (
	"fmt"
	"path/filepath"

	"keratally/registry"
	"keratally/registry/democlinic"
	"keratally/registry/pgstore"
)

// demoCmd does the whole job on an invented clinic.
type demoCmd struct {
	Eyes int    `help:"Treated eyes, about." default:"420"`
	Seed uint64 `help:"Seed of everything that is drawn by lot." default:"2026"`
	Out  string `help:"Folder for the spreadsheets and the audit." default:"keratally-demo" placeholder:"DIR"`
}

// demoLast is the last day of the invented clinic's records: the end of a
// quarter, the same on every machine, so that the demo's report is the same.
var demoLast = registry.DateFromDays(20726) // 30 September 2026

// demoDatabase keeps the invented clinic apart from a clinic's own registry.
const demoDatabase = "keratally_demo"

// Run draws the clinic, takes its spreadsheets in and audits the quarter.
func (c *demoCmd) Run(a *app) error {
	if c.Eyes < 0 || c.Eyes > 200_000 {
		return fmt.Errorf("--eyes %d: should be between 0 and 200000", c.Eyes)
	}
	clinic := democlinic.New(democlinic.Options{Eyes: c.Eyes, Seed: c.Seed, Last: demoLast})
	a.say("%s is an invented clinic: no patient, surgeon or clinic of it exists.\n", democlinic.Name)
	files, err := clinic.WriteFiles(filepath.Join(c.Out, "spreadsheets"))
	if err != nil {
		return err
	}
	store, err := c.freshStore(a)
	if err != nil {
		return err
	}
	defer store.Close()
	a.say("Taking in its spreadsheets:")
	for _, f := range files {
		result, err := takeFile(a, store, f.Path, f.Mapping, takeOptions{person: "demo"})
		if err != nil {
			return err
		}
		a.say("  %-26s %5d rows read, %d refused, %d queries", filepath.Base(f.Path), result.RowsRead, result.RowsRefused, result.Queries)
	}
	snap, err := store.Snapshot(a.ctx, wholeRegistry(demoLast))
	if err != nil {
		return err
	}
	a.say("")
	audit := auditCmd{Quarter: "2026Q3", Windows: "default", Out: filepath.Join(c.Out, "audit-2026Q3.xlsx")}
	if err := audit.report(a, snap, quarter(2026, 3)); err != nil {
		return err
	}
	a.say(`The invented clinic is kept apart from your own registry; --demo-data works on it.
The spreadsheets, their mappings and the rows that were refused are in %s.

What to try next:
  open %s and read the sheet Summary first
  correct a refused row and take it in again:
    keratally --demo-data intake FILE-refused.xlsx --mapping FILE.toml
  begin with your own sheet: a mapping is proposed from its headings:
    keratally intake FILE.xlsx --propose`, filepath.Join(c.Out, "spreadsheets"), audit.Out)
	return nil
}

// freshStore opens an empty database for the demo, so that a run that was cut
// off leaves nothing in the way of the next.
func (c *demoCmd) freshStore(a *app) (*pgstore.Store, error) {
	url, err := a.url()
	if err != nil {
		return nil, err
	}
	url, err = pgstore.Recreate(a.ctx, url, demoDatabase)
	if err != nil {
		return nil, err
	}
	if _, _, err := pgstore.Migrate(a.ctx, url); err != nil {
		return nil, err
	}
	return pgstore.Open(a.ctx, url)
}
