package pgstore

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
)

const (
	allCentres    = `SELECT id, code, name FROM centre ORDER BY code, id`
	allClinicians = `SELECT id, centre_id, code, name FROM clinician ORDER BY centre_id, code, id`
	allProtocols  = `
	SELECT id, centre_id, code, version, name, coalesce(epithelium, ''), coalesce(vehicle, ''), riboflavin_e2, soak_e1,
	       irradiance_e2, exposure_s, pulse_on_ms, pulse_off_ms, fluence_e2, coalesce(oxygen, ''), coalesce(pattern, '')
	FROM protocol ORDER BY centre_id, code, version`
	allProtocolZones = `
	SELECT protocol_id, zone_order, shape, diameter_e2, minor_diameter_e2, fluence_e2, centre_x_e2, centre_y_e2
	FROM protocol_zone ORDER BY protocol_id, zone_order`
)

// querier is a pool or a transaction.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

// Centres returns every centre, by code.
func (s *Store) Centres(ctx context.Context) ([]registry.Centre, error) { return centres(ctx, s.pool) }

// Clinicians returns every clinician, by centre and code.
func (s *Store) Clinicians(ctx context.Context) ([]registry.Clinician, error) {
	return clinicians(ctx, s.pool)
}

// Protocols returns every version of every protocol with its zones, by
// centre, code and version.
func (s *Store) Protocols(ctx context.Context) ([]registry.Protocol, error) {
	return protocols(ctx, s.pool)
}

func centres(ctx context.Context, db querier) ([]registry.Centre, error) {
	rows, _ := db.Query(ctx, allCentres) // CollectRows returns the error
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (c registry.Centre, err error) {
		return c, row.Scan(&c.ID, &c.Code, &c.Name)
	})
	if err != nil {
		return nil, fmt.Errorf("centres: %w", inWords(err))
	}
	return list, nil
}

func clinicians(ctx context.Context, db querier) ([]registry.Clinician, error) {
	rows, _ := db.Query(ctx, allClinicians) // CollectRows returns the error
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (c registry.Clinician, err error) {
		return c, row.Scan(&c.ID, &c.CentreID, &c.Code, &c.Name)
	})
	if err != nil {
		return nil, fmt.Errorf("clinicians: %w", inWords(err))
	}
	return list, nil
}

func protocols(ctx context.Context, db querier) ([]registry.Protocol, error) {
	rows, _ := db.Query(ctx, allProtocols) // CollectRows returns the error
	list, err := pgx.CollectRows(rows, scanProtocol)
	if err != nil {
		return nil, fmt.Errorf("protocols: %w", inWords(err))
	}
	at := make(map[registry.ID]int, len(list))
	for i := range list {
		at[list[i].ID] = i
	}
	rows, _ = db.Query(ctx, allProtocolZones) // ForEachRow returns the error
	var protocol registry.ID
	var z registry.Zone
	scan := []any{&protocol, &z.Order, &z.Shape, orNone(&z.DiameterE2), orNone(&z.MinorDiameterE2), orNone(&z.FluenceE2), orNone(&z.CentreXE2), orNone(&z.CentreYE2)}
	_, err = pgx.ForEachRow(rows, scan, func() error {
		if i, ok := at[protocol]; ok {
			list[i].Zones = append(list[i].Zones, z)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("zones of protocols: %w", inWords(err))
	}
	return list, nil
}

func scanProtocol(row pgx.CollectableRow) (p registry.Protocol, err error) {
	var oxygen string
	err = row.Scan(&p.ID, &p.CentreID, &p.Code, &p.Version, &p.Name, &p.Epithelium, &p.Vehicle, orNone(&p.RiboflavinE2), orNone(&p.SoakE1),
		orNone(&p.Light.IrradianceE2), orNone(&p.Light.ExposureS), orNone(&p.Light.PulseOnMs), orNone(&p.Light.PulseOff), orNone(&p.Light.FluenceE2),
		&oxygen, &p.Pattern)
	for _, t := range []registry.Trilean{registry.Yes, registry.No, registry.Unknown} {
		if t.String() == oxygen {
			p.Oxygen = t
		}
	}
	return p, err
}

// orNone scans an integer, or NULL as not measured.
func orNone(to *measure.Steps) *stepsOrNull { return (*stepsOrNull)(to) }

type stepsOrNull measure.Steps

// ScanInt64 is called by pgx.
func (s *stepsOrNull) ScanInt64(v pgtype.Int8) error {
	*s = stepsOrNull(measure.None)
	if v.Valid {
		*s = stepsOrNull(v.Int64)
	}
	return nil
}

// readCatalogues reads centres, clinicians and protocols into the snapshot
// and returns their places.
func readCatalogues(ctx context.Context, tx pgx.Tx, s *snapshot.Snapshot) (keys, error) {
	k := keys{centre: newKey(0), clinician: newKey(0), protocol: newKey(0)}
	cs, err := centres(ctx, tx)
	if err != nil {
		return k, err
	}
	for _, c := range cs {
		k.centre.add(c.ID)
		s.Centres = append(s.Centres, snapshot.Centre{Code: c.Code, Name: c.Name})
	}
	people, err := clinicians(ctx, tx)
	if err != nil {
		return k, err
	}
	for _, c := range people {
		k.clinician.add(c.ID)
		centre, _ := k.centre.find(c.CentreID) // a foreign key
		s.Clinicians = append(s.Clinicians, snapshot.Clinician{Centre: centre, Code: c.Code, Name: c.Name})
	}
	plans, err := protocols(ctx, tx)
	if err != nil {
		return k, err
	}
	for _, p := range plans {
		k.protocol.add(p.ID)
		centre, _ := k.centre.find(p.CentreID) // a foreign key
		s.Protocols = append(s.Protocols, snapshot.Protocol{Centre: centre, Protocol: p})
	}
	return k, nil
}
