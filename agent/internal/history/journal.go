package history

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"strokebank/rules"
)

// Journal is what a search asks for, the newest first, at most its limit;
// entries in memory alone come first, with Durable false. There is no index
// for it, which would make every commit dearer: a search for what is rare
// reads the whole record once.
func (s *Store) Journal(ctx context.Context, q rules.Search) ([]rules.Entry, error) {
	if q.Limit < 1 {
		return nil, nil
	}
	// Memory first: see Entries.
	memory, _ := s.pendingAfter(0)
	var found []rules.Entry
	lowest := uint64(math.MaxUint64)
	for _, e := range slices.Backward(memory) {
		lowest = e.Seq
		if q.Fits(&e) && len(found) < q.Limit {
			found = append(found, e)
		}
	}
	db := s.database()
	stored, err := storedJournal(ctx, db, q)
	if s.healed(ctx, db, err) {
		stored, err = storedJournal(ctx, s.database(), q)
	}
	if err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	for _, e := range stored {
		if e.Seq < lowest && len(found) < q.Limit {
			found = append(found, e)
		}
	}
	return found, nil
}

// storedJournal reads from the database.
func storedJournal(ctx context.Context, db *database, q rules.Search) ([]rules.Entry, error) {
	where, args := []string{"seq < ?"}, []any{int64(math.MaxInt64)}
	if q.Before > 0 {
		args[0] = int64(min(q.Before, math.MaxInt64))
	}
	add := func(condition string, values ...any) {
		where, args = append(where, condition), append(args, values...)
	}
	if q.Unit != "" {
		add("unit = ?", q.Unit)
	}
	if q.Source != "" {
		add("iif(json_valid(payload), json_extract(payload, '$.source'), 'agent') = ?", q.Source)
	}
	if len(q.Kinds) > 0 {
		var kinds []any
		for _, k := range q.Kinds {
			kinds = append(kinds, string(k))
		}
		add("kind IN (?"+strings.Repeat(", ?", len(kinds)-1)+")", kinds...)
	}
	for _, edge := range []struct {
		condition string
		at        time.Time
	}{{"time >= ?", q.From}, {"time < ?", q.To}} {
		if !edge.at.IsZero() {
			add(edge.condition, edge.at.UnixNano())
		}
	}
	rows, err := db.readers.QueryContext(ctx, "SELECT seq, id, unit, time, payload FROM events WHERE "+
		strings.Join(where, " AND ")+" ORDER BY seq DESC LIMIT ?", append(args, q.Limit)...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var entries []rules.Entry
	for rows.Next() {
		e, err := scanEntry(rows, db.installation)
		if err != nil {
			return nil, err
		}
		entries = append(entries, e)
	}
	return entries, rows.Err()
}
