package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"keratally/registry"
)

// historyCmd looks into the history that the database keeps of every change.
type historyCmd struct {
	Verify historyVerifyCmd `cmd:"" help:"Compute the chain of the history anew and compare every record with it; says where it breaks."`
	Show   historyShowCmd   `cmd:"" help:"Tell what happened to an eye or a record: who, when, why, before and after."`
	Seal   historySealCmd   `cmd:"" help:"Print the seal of a day, to be kept outside the database."`
}

type historyVerifyCmd struct {
	Seal string `help:"A hash that history seal printed earlier: the history should still have it." placeholder:"HASH"`
}

// Run verifies the history; any fault ends with code 1.
func (c *historyVerifyCmd) Run(a *app) error {
	store, err := a.store()
	if err != nil {
		return err
	}
	report, err := store.VerifyHistory(a.ctx, c.Seal)
	if err != nil {
		return err
	}
	for _, f := range report.Faults {
		a.say("%s: %s", f.Place, f.Words)
	}
	if report.More > 0 {
		a.say("… and %d more", report.More)
	}
	if !report.Whole() {
		a.say("\nThe history does not agree with the registry in %d places. Keep the database as it is, and compare it with a backup from before.", len(report.Faults)+report.More)
		return &quietError{exitFailed}
	}
	a.say("The history is whole: %d entries in one chain, and %d records are as it recorded them.", report.Entries, report.Rows)
	if report.Sealed > 0 {
		a.say("The seal is that of entry %d.", report.Sealed)
	}
	if report.Entries > 0 {
		a.say("Its last hash is %s.", report.Seal.Hash)
	}
	return nil
}

type historyShowCmd struct {
	What string `arg:"" name:"record" help:"An eye such as \"P1 OD\", a patient's code, or the identity of a record."`
}

// Run prints the story, earliest first.
func (c *historyShowCmd) Run(a *app) error {
	store, err := a.store()
	if err != nil {
		return err
	}
	events, err := store.Story(a.ctx, c.What)
	if errors.Is(err, registry.ErrNotFound) {
		return fmt.Errorf("the history knows nothing of %q: name an eye such as \"P1 OD\", a patient's code, or the identity of a record", c.What)
	}
	if err != nil {
		return err
	}
	for _, e := range events {
		line := fmt.Sprintf("%s UTC  %s %s by %s", e.At.Format(time.DateTime), e.Record, e.Action, e.Person)
		if e.Reason != "" {
			line += " (" + e.Reason + ")"
		}
		if len(e.Changes) > 0 {
			line += ": " + strings.Join(e.Changes, ", ")
		}
		a.say("%s  [entry %d]", line, e.Entry)
	}
	return nil
}

type historySealCmd struct {
	Day string `help:"The day (UTC) to seal; yesterday, the last whole day, without one." placeholder:"DAY"`
}

// Run prints the seal.
func (c *historySealCmd) Run(a *app) error {
	day := registry.DateOf(time.Now().UTC()).Add(-1)
	if c.Day != "" {
		var err error
		if day, err = registry.ParseISODate(c.Day); err != nil {
			return fmt.Errorf("--day %w", err)
		}
	}
	store, err := a.store()
	if err != nil {
		return err
	}
	seal, err := store.SealOf(a.ctx, day)
	if err != nil {
		return err
	}
	if seal.Last == 0 {
		a.say("Nothing was recorded up to the end of %s (UTC).", day)
		return nil
	}
	a.say("Keratally, seal of the history")
	a.say("  day      %s (UTC)", day)
	a.say("  entries  %d on this day, %d in all up to its end", seal.Entries, seal.Last)
	a.say("  hash     %s", seal.Hash)
	a.say("\nKeep this outside the database, on paper or with somebody else. Later,")
	a.say("  keratally history verify --seal %s", seal.Hash)
	a.say("tells whether everything up to then is as it was.")
	return nil
}
