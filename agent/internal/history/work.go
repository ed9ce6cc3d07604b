package history

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"strokebank/rules"
)

// RunsBefore is the newest completed runs of a machine with a number below
// before (0: the newest of all), the newest first, at most limit. A run's
// number is what to give as before for the page after it. Runs in memory alone
// are not among them.
func (s *Store) RunsBefore(ctx context.Context, unit, position string, before uint64, limit int) ([]rules.NumberedRun, error) {
	highest := int64(math.MaxInt64)
	if before > 0 && before < math.MaxInt64 {
		highest = int64(before)
	}
	return s.runs(ctx, `WHERE unit = ? AND position = ? AND number < ? ORDER BY number DESC LIMIT ?`,
		unit, position, highest, limit)
}

// EachRun hands the unit's runs that lie in [from, to) in part or whole to
// take, as they were stored, until there are no more or take says no.
func (s *Store) EachRun(ctx context.Context, unit string, from, to time.Time, take func(rules.NumberedRun) bool) error {
	// A page at a time: a reader that is slow must not hold the log open.
	const page = 500
	for after := int64(0); ; {
		found, err := s.runs(ctx, `WHERE unit = ? AND number > ? AND stop >= ? AND start < ? ORDER BY number LIMIT ?`,
			unit, after, from.UnixNano(), to.UnixNano(), page)
		if err != nil {
			return err
		}
		for _, r := range found {
			if !take(r) {
				return nil
			}
			after = int64(r.Number)
		}
		if len(found) < page {
			return nil
		}
	}
}

// runs reads runs of the database by a condition.
func (s *Store) runs(ctx context.Context, condition string, args ...any) ([]rules.NumberedRun, error) {
	rows, err := s.database().readers.QueryContext(ctx,
		`SELECT number, position, serial, start, stop, seconds, lead, start_seen, cut, doubt FROM runs `+condition, args...)
	if err != nil {
		return nil, fmt.Errorf("runs: %w", err)
	}
	defer rows.Close()
	var all []rules.NumberedRun
	for rows.Next() {
		r, err := scanRun(rows)
		if err != nil {
			return nil, fmt.Errorf("runs: %w", err)
		}
		all = append(all, r)
	}
	return all, rows.Err()
}

// Each hands the unit's events of some kinds and one source (empty: all) in
// [from, to) to take, as they were stored, until there are no more or take
// says no. It reads past all that is stored, decodes only what fits and holds
// one at a time; events in memory alone come last.
func (s *Store) Each(ctx context.Context, q rules.Search, take func(rules.Entry) bool) error {
	memory, _ := s.pendingAfter(0)
	db := s.database()
	where, args := []string{"unit = ?", "time >= ?", "time < ?"}, []any{q.Unit, q.From.UnixNano(), q.To.UnixNano()}
	if len(q.Kinds) > 0 {
		where = append(where, "kind IN (?"+strings.Repeat(", ?", len(q.Kinds)-1)+")")
		for _, k := range q.Kinds {
			args = append(args, string(k))
		}
	}
	rows, err := db.readers.QueryContext(ctx, "SELECT seq, id, unit, time, payload FROM events WHERE "+
		strings.Join(where, " AND ")+" ORDER BY seq", args...)
	if err != nil {
		return fmt.Errorf("events of %s: %w", q.Unit, err)
	}
	defer rows.Close()
	var last uint64
	for rows.Next() {
		e, err := scanEntry(rows, db.installation)
		if err != nil {
			return fmt.Errorf("events of %s: %w", q.Unit, err)
		}
		last = e.Seq
		if q.Fits(&e) && !take(e) {
			return nil
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("events of %s: %w", q.Unit, err)
	}
	for _, e := range memory {
		if e.Seq > last && q.Fits(&e) && !take(e) {
			return nil
		}
	}
	return nil
}
