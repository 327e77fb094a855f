package main

import (
	"fmt"
	"os"

	"keratally/registry"
	"keratally/registry/cohort"
	"keratally/registry/snapshot"
	"keratally/reports"
)

// freeze returns the registry up to a cut-off, or the kept snapshot where a
// file is named.
func freeze(a *app, file string, cutOff registry.Date) (*snapshot.Snapshot, error) {
	if file != "" {
		f, err := os.Open(file)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		snap, err := snapshot.Read(f)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		return snap, nil
	}
	store, err := a.store()
	if err != nil {
		return nil, err
	}
	return store.Snapshot(a.ctx, wholeRegistry(cutOff))
}

// sourceOf cuts the cohort of a file out of a snapshot; without a file, the
// first cross-linking of every eye.
func sourceOf(snap *snapshot.Snapshot, windows, file string) (*reports.Source, error) {
	defs := registry.DefaultDefinitions()
	found := false
	for _, set := range registry.BuiltInWindows() {
		if set.Name == windows {
			defs.Windows, found = set, true
		}
	}
	if !found {
		return nil, fmt.Errorf("windows %q: should be default or strict", windows)
	}
	who := cohort.Everyone()
	if file != "" {
		text, err := os.ReadFile(file)
		if err != nil {
			return nil, err
		}
		if who, err = cohort.Parse(text); err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
	}
	all, err := snap.Outcomes(defs)
	if err != nil {
		return nil, err
	}
	kept, flow, err := who.Apply(all)
	if err != nil {
		return nil, err
	}
	return &reports.Source{Outcomes: kept, Flow: flow, Cohort: who.Title, Program: release}, nil
}
