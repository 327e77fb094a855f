package pgstore

import (
	"fmt"
	"time"

	"github.com/jackc/pgx/v5/pgtype"

	"keratally/registry"
)

// pgxDate is a registry.Date as pgx scans and sends it; NULL is not recorded.
type pgxDate registry.Date

// ScanDate is called by pgx.
func (d *pgxDate) ScanDate(v pgtype.Date) error {
	if v.InfinityModifier != pgtype.Finite {
		return fmt.Errorf("a date should be a day of the calendar: found %v", v.InfinityModifier)
	}
	*d = 0
	if v.Valid {
		*d = pgxDate(registry.DateOf(v.Time))
	}
	return nil
}

// DateValue is called by pgx.
func (d pgxDate) DateValue() (pgtype.Date, error) {
	if d == 0 {
		return pgtype.Date{}, nil
	}
	return pgtype.Date{Time: time.Unix(int64(registry.Date(d).Days())*86400, 0).UTC(), Valid: true}, nil
}
