package main

import (
	"io"

	"keratally/registry"
	"keratally/registry/pgstore"
)

// wholeRegistry is everything up to a cut-off.
func wholeRegistry(cutOff registry.Date) pgstore.Scope { return pgstore.Scope{CutOff: cutOff} }

// snapshotCmd keeps the registry as it was at a cut-off.
type snapshotCmd struct {
	CutOff string `help:"Last day whose records are included; today without one." placeholder:"DAY"`
	Out    string `help:"The file to write." default:"registry.snapshot" placeholder:"FILE"`
}

// Run freezes the registry into a file.
func (c *snapshotCmd) Run(a *app) error {
	cutOff := a.day()
	if c.CutOff != "" {
		var err error
		if cutOff, err = registry.ParseISODate(c.CutOff); err != nil {
			return err
		}
	}
	store, err := a.store()
	if err != nil {
		return err
	}
	snap, err := store.Snapshot(a.ctx, wholeRegistry(cutOff))
	if err != nil {
		return err
	}
	if err := writeFile(c.Out, func(w io.Writer) error { return snap.Write(w) }); err != nil {
		return err
	}
	a.say("The registry up to %s is kept in %s: %d eyes, %d treatments, %d visits.", cutOff.Long(), c.Out, len(snap.Eyes.Patient), len(snap.Treatments.Eye), len(snap.Visits.Eye))
	a.say("Its identity is %s. Reports are made from it with keratally audit --snapshot %s.", snap.ID, c.Out)
	return nil
}

// migrateCmd brings the database to this program's schema.
type migrateCmd struct{}

// Run migrates and says what was done.
func (migrateCmd) Run(a *app) error {
	url, err := a.url()
	if err != nil {
		return err
	}
	from, to, err := pgstore.Migrate(a.ctx, url)
	if err != nil {
		return err
	}
	if from == to {
		a.say("The database is at step %d already.", to)
	} else {
		a.say("The database went from step %d to step %d.", from, to)
	}
	return nil
}
