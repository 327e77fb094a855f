package pgstore

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"keratally/registry"
)

// HistoryFault is one place where the history or the registry is not as it
// was recorded.
type HistoryFault struct {
	Place string // "entry 17" of the chain, or "visit 01985f3e-…"
	Words string // what was found and what it means
}

// HistoryReport is what a verification of the history found.
type HistoryReport struct {
	Entries int   // in the chain
	Rows    int   // of watched tables, compared with their marks
	Seal    Seal  // of everything up to now
	Sealed  int64 // the entry that has the seal that was asked about; 0 if none was asked or none has it
	Faults  []HistoryFault
	More    int // faults beyond the first
}

// Whole reports that nothing was found.
func (r *HistoryReport) Whole() bool { return len(r.Faults) == 0 }

// faultsListed is how many faults a report has in full.
const faultsListed = 100

func (r *HistoryReport) fault(place, format string, args ...any) {
	if len(r.Faults) == faultsListed {
		r.More++
		return
	}
	r.Faults = append(r.Faults, HistoryFault{place, fmt.Sprintf(format, args...)})
}

// Seal is the state of the chain at the end of a day (UTC): printed and kept
// outside, it holds a later history to what it was.
type Seal struct {
	Day     registry.Date
	Entries int64 // of that day
	Last    int64 // number of the last entry up to then
	Hash    string
}

const sealOfDay = `
	SELECT count(*) FILTER (WHERE linked_at >= @day::date::timestamp AT TIME ZONE 'UTC'), coalesce(max(seq), 0),
	       coalesce((SELECT encode(l.hash, 'hex') FROM history_link l WHERE l.linked_at < (@day::date + 1)::timestamp AT TIME ZONE 'UTC' ORDER BY l.seq DESC LIMIT 1), '')
	FROM history_link WHERE linked_at < (@day::date + 1)::timestamp AT TIME ZONE 'UTC'`

// SealOf returns the seal of a day, which has no hash if nothing was recorded
// up to its end.
func (s *Store) SealOf(ctx context.Context, day registry.Date) (Seal, error) {
	return sealOf(ctx, s.pool, day)
}

func sealOf(ctx context.Context, db interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}, day registry.Date) (Seal, error) {
	seal := Seal{Day: day}
	if err := db.QueryRow(ctx, sealOfDay, pgx.StrictNamedArgs{"day": day.String()}).Scan(&seal.Entries, &seal.Last, &seal.Hash); err != nil {
		return Seal{}, fmt.Errorf("seal of %s: %w", day, err)
	}
	return seal, nil
}

// VerifyHistory computes the chain of the history anew, replays every entry and
// compares every row of the watched tables with its mark, all in one snapshot of
// the database. seal is a hash that was kept outside, or "".
//
// It finds, and names: an entry that was altered, removed or moved; images of
// rows that were altered; a row that was altered, removed or put in without an
// entry; a watched table whose triggers are off. Who alters everything and
// computes the chain anew is found only by a seal from before.
//
// The hashes are computed here; of the database only record_send and sha256 of
// its own catalogue are trusted.
func (s *Store) VerifyHistory(ctx context.Context, seal string) (*HistoryReport, error) {
	report := &HistoryReport{}
	err := pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		// Texts in the encoding that marks are made in; numbers are the same in all.
		if _, err := tx.Exec(ctx, "SET LOCAL client_encoding = 'UTF8'"); err != nil {
			return err
		}
		v := &verification{ctx: ctx, tx: tx, report: report, seal: strings.ToLower(strings.TrimSpace(seal)), state: map[string]map[rowKey]recorded{}}
		for _, step := range []func() error{v.chain, v.ends, v.images, v.rows, v.triggers} {
			if err := step(); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("verifying the history: %w", err)
	}
	if seal != "" && report.Sealed == 0 {
		report.fault("seal", "no entry has the hash %s: the history is not the one that was sealed, but was computed anew", seal)
	}
	return report, nil
}

type rowKey [markSize]byte

// recorded is what the history says of a row: its mark, and the entry that
// said so last.
type recorded struct {
	mark [markSize]byte
	seq  int64
}

// verification is one run of VerifyHistory.
type verification struct {
	ctx    context.Context
	tx     pgx.Tx
	report *HistoryReport
	seal   string
	state  map[string]map[rowKey]recorded
	seqs   map[int64]int64 // of entries by their identity
	last   int64
	hash   []byte
	broken []brokenLink
}

// brokenLink is kept to find out whether the contents of entries were
// exchanged. Contents begin after the number and the time of the link.
type brokenLink struct {
	seq                          int64
	before, hash, place, content []byte
	fault                        int
}

// linkPlace is the length of what record_send writes before the contents: the
// number of columns, and of number and time the type, the length and 8 bytes.
const linkPlace = 4 + 2*(4+4+8)

const readChain = `
	SELECT l.seq, l.entry, l.hash, coalesce(h.relation, ''), coalesce(h.action, ''), h.at, coalesce(h.person, ''),
	       coalesce(h.was_keys, ''), coalesce(h.was_marks, ''), coalesce(h.became_keys, ''), coalesce(h.became_marks, ''),
	       record_send(ROW(l.seq, l.linked_at, h.id, h.at, h.person, h.reason, h.role, h.batch_id, h.relation, h.shape, h.action,
	                       h.was_keys, h.was_marks, h.became_keys, h.became_marks, h.images))
	FROM history_link l LEFT JOIN history h ON h.id = l.entry ORDER BY l.seq`

// chain computes every hash from the one before and replays the entries.
func (v *verification) chain() error {
	start := sha256.Sum256([]byte("keratally"))
	v.hash, v.seqs = start[:], map[int64]int64{}
	known := true // the hash before
	rows, err := v.tx.Query(v.ctx, readChain)
	if err != nil {
		return err
	}
	var (
		seq, entry                                             int64
		hash, wasKeys, wasMarks, becameKeys, becameMarks, body []byte
		relation, action, person                               string
		at                                                     *time.Time
	)
	_, err = pgx.ForEachRow(rows, []any{&seq, &entry, &hash, &relation, &action, &at, &person, &wasKeys, &wasMarks, &becameKeys, &becameMarks, &body}, func() error {
		if seq != v.last+1 {
			v.report.fault(fmt.Sprintf("entry %d", v.last+1), "%s removed from the chain: the next that is there is entry %d", plural(seq-v.last-1, "entry was", "entries were"), seq)
			known = false
		}
		v.seqs[entry] = seq
		place := fmt.Sprintf("entry %d", seq)
		sum := sha256.New()
		sum.Write(v.hash)
		sum.Write(body)
		switch {
		case at == nil:
			v.report.fault(place, "what it said was removed from the history")
		case known && !bytes.Equal(sum.Sum(nil), hash):
			v.report.fault(place, "the %s of %s by %s at %s was altered, or is not in its place", action, relation, person, at.UTC().Format(time.DateTime))
			if len(v.report.Faults) < faultsListed {
				v.broken = append(v.broken, brokenLink{seq, v.hash, bytes.Clone(hash), body[:linkPlace:linkPlace], body[linkPlace:], len(v.report.Faults) - 1})
			}
		}
		v.last, v.hash, known = seq, bytes.Clone(hash), true
		v.report.Entries++
		if v.seal != "" && hex.EncodeToString(hash) == v.seal {
			v.report.Sealed = seq
		}
		v.replay(place, seq, relation, action, wasKeys, wasMarks, becameKeys, becameMarks)
		body = nil // which is kept above
		return nil
	})
	v.exchanged()
	return err
}

// exchanged says of broken links whose contents stand in another's place that
// they do.
func (v *verification) exchanged() {
	for _, here := range v.broken {
		for _, other := range v.broken {
			if other.seq == here.seq {
				continue
			}
			sum := sha256.New()
			for _, b := range [][]byte{here.before, here.place, other.content} {
				sum.Write(b)
			}
			if bytes.Equal(sum.Sum(nil), here.hash) {
				v.report.Faults[here.fault].Words += fmt.Sprintf("; what was said here stands at entry %d now: the order was changed", other.seq)
			}
		}
	}
}

// replay takes an entry's rows out of the state and puts in what they became.
func (v *verification) replay(place string, seq int64, relation, action string, wasKeys, wasMarks, becameKeys, becameMarks []byte) {
	if relation == "" {
		return
	}
	if len(wasKeys) != len(wasMarks) || len(becameKeys) != len(becameMarks) {
		v.report.fault(place, "its keys and marks are not of the same number of rows")
		return
	}
	of := v.state[relation]
	if of == nil {
		of = map[rowKey]recorded{}
		v.state[relation] = of
	}
	for i := 0; i+markSize <= len(wasKeys); i += markSize {
		key := rowKey(wasKeys[i : i+markSize])
		before, ok := of[key]
		switch {
		case !ok:
			v.report.fault(rowName(relation, key), "was there without an entry before %s (%s)", place, action)
		case before.mark != [markSize]byte(wasMarks[i:i+markSize]):
			v.report.fault(rowName(relation, key), "was altered without an entry, between entry %d and %s (%s)", before.seq, place, action)
		}
		delete(of, key)
	}
	if action == "reshape" {
		for key, before := range of {
			if len(wasKeys) > 0 {
				v.report.fault(rowName(relation, key), "was removed without an entry, between entry %d and %s (%s)", before.seq, place, action)
			}
		}
		clear(of)
	}
	for i := 0; i+markSize <= len(becameKeys); i += markSize {
		key := rowKey(becameKeys[i : i+markSize])
		if before, ok := of[key]; ok {
			v.report.fault(rowName(relation, key), "was removed without an entry, between entry %d and %s (%s)", before.seq, place, action)
		}
		of[key] = recorded{[markSize]byte(becameMarks[i : i+markSize]), seq}
	}
}

// rowName names a row by its identity, or where its key has several columns by
// the key that the history has of it.
func rowName(relation string, key rowKey) string {
	if _, composed := composedKeys[relation]; composed {
		return fmt.Sprintf("%s with the key %x", relation, key[:])
	}
	return relation + " " + uuid.UUID(key).String()
}

const (
	readHead     = `SELECT seq, hash FROM history_head`
	readUnlinked = `SELECT id FROM history h WHERE NOT EXISTS (SELECT FROM history_link l WHERE l.entry = h.id) ORDER BY id`
)

// ends compares the end of the chain with its last entry, and looks for
// entries outside the chain.
func (v *verification) ends() error {
	var seq int64
	var hash []byte
	err := v.tx.QueryRow(v.ctx, readHead).Scan(&seq, &hash)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		v.report.fault("end of the chain", "was removed")
	case err != nil:
		return err
	case seq > v.last:
		v.report.fault(fmt.Sprintf("entry %d", v.last+1), "%s removed from the end of the chain, which had %d", plural(seq-v.last, "entry was", "entries were"), seq)
	case seq < v.last:
		v.report.fault(fmt.Sprintf("entry %d", seq+1), "%s put in behind the end of the chain, which had %d", plural(v.last-seq, "entry was", "entries were"), seq)
	case !bytes.Equal(hash, v.hash):
		v.report.fault(fmt.Sprintf("entry %d", v.last), "is not the one that the chain ended with")
	}
	v.report.Seal = Seal{Day: registry.DateOf(time.Now().UTC()), Last: v.last, Hash: hex.EncodeToString(v.hash)}
	rows, _ := v.tx.Query(v.ctx, readUnlinked) // CollectRows returns the error
	ids, err := pgx.CollectRows(rows, pgx.RowTo[int64])
	for _, id := range ids {
		v.report.fault(fmt.Sprintf("entry with the identity %d", id), "is not in the chain: it was put in by hand, or its link was removed")
	}
	return err
}

func plural(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
