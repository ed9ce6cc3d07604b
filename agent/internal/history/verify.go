package history

import (
	"context"
	"errors"
	"fmt"
)

// contradictions are queries that find a row where the store disagrees with
// itself, and nothing in a sound one.
var contradictions = []struct{ what, query string }{
	{"sequence numbers not positive", "SELECT seq FROM events WHERE seq <= 0 LIMIT 1"},
	{"an id given twice", "SELECT id FROM events WHERE id IS NOT NULL GROUP BY id HAVING count(*) > 1 LIMIT 1"},
	{"an event that is not JSON", "SELECT seq FROM events WHERE NOT json_valid(payload) LIMIT 1"},
	{"an event whose kind differs from its column", "SELECT seq FROM events WHERE json_extract(payload, '$.kind') IS NOT kind LIMIT 1"},
	{"an alarm state that is not its last event's", `SELECT e.seq FROM events e JOIN alarm_states a
		ON a.unit = e.unit AND a.source = json_extract(e.payload, '$.source') AND a.name = json_extract(e.payload, '$.name')
		WHERE e.kind = 'alarm' AND (e.seq > a.seq OR (e.seq = a.seq AND a.state IS NOT coalesce(json_extract(e.payload, '$.to'), ''))) LIMIT 1`},
	{"an alarm event without an alarm state", `SELECT e.seq FROM events e WHERE e.kind = 'alarm' AND NOT EXISTS (
		SELECT 1 FROM alarm_states a WHERE a.unit = e.unit
		AND a.source = json_extract(e.payload, '$.source') AND a.name = json_extract(e.payload, '$.name')) LIMIT 1`},
	{"a failure that is not as its last event tells it", `SELECT e.seq FROM events e LEFT JOIN failures f
		ON f.unit = e.unit AND f.id = json_extract(e.payload, '$.failure.id')
		WHERE e.kind = 'failure' AND json_valid(e.payload) AND (f.seq IS NULL OR f.seq < e.seq
			OR f.seq = e.seq AND f.payload IS NOT json_extract(e.payload, '$.failure')) LIMIT 1`},
	{"a run that stands twice", `SELECT max(number) FROM runs WHERE start IS NOT NULL
		GROUP BY unit, position, start, stop HAVING count(*) > 1 LIMIT 1`},
	{"a run of negative length", "SELECT number FROM runs WHERE seconds < 0 OR doubt < 0 LIMIT 1"},
	{"a trend row without a series", "SELECT start FROM trends WHERE series NOT IN (SELECT number FROM series) LIMIT 1"},
	{"a coarse trend row without a series", "SELECT start FROM coarse WHERE series NOT IN (SELECT number FROM series) LIMIT 1"},
	{"a coarse trend row with disordered figures", `SELECT start FROM coarse WHERE count < 1 OR covered > seconds
		OR min > mean + 1e-9 * abs(mean) + 1e-9 OR mean > max + 1e-9 * abs(max) + 1e-9 LIMIT 1`},
	{"a coarse trend row out of its grid", "SELECT start FROM coarse WHERE start % (seconds * 1000000000) <> 0 LIMIT 1"},
	{"a trend row with disordered figures", "SELECT start FROM trends WHERE min > mean * (1 + 1e-9) + 1e-9 AND mean > max LIMIT 1"},
}

// Verify checks the database file and what must agree inside it. It reads the
// whole store, and may run beside everything else. Nil means sound; the error
// names everything found.
func (s *Store) Verify(ctx context.Context) error {
	var errs []error
	db := s.database()
	rows, err := db.readers.QueryContext(ctx, "PRAGMA integrity_check(10)")
	if err != nil {
		return fmt.Errorf("history in %s: %w", s.opts.Dir, err)
	}
	defer rows.Close()
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			return fmt.Errorf("history in %s: %w", s.opts.Dir, err)
		}
		if line != "ok" {
			errs = append(errs, errors.New(line))
		}
	}
	errs = append(errs, rows.Err())
	for _, c := range contradictions {
		errs = append(errs, s.contradiction(ctx, db, c.what, c.query))
	}
	highest, err := mentioned(ctx, db.readers)
	errs = append(errs, err, s.verifyNumbers(highest))
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("history in %s: %w", s.opts.Dir, err)
	}
	return nil
}

func (s *Store) contradiction(ctx context.Context, db *database, what, query string) error {
	rows, err := db.readers.QueryContext(ctx, query)
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	defer rows.Close()
	if rows.Next() {
		var where string
		if err := rows.Scan(&where); err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
		return fmt.Errorf("%s: %s", what, where)
	}
	return rows.Err()
}

// verifyNumbers checks what lives in memory against the numbering.
func (s *Store) verifyNumbers(highest uint64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if highest > s.last {
		return fmt.Errorf("number %d is mentioned, beyond the last number %d", highest, s.last)
	}
	for name, seq := range s.cursors {
		if seq > s.last {
			return fmt.Errorf("cursor %s stands at %d, beyond the last number %d", name, seq, s.last)
		}
	}
	previous := s.durable
	for _, b := range s.pending.batches {
		for _, e := range b.entries {
			if e.Seq <= previous {
				return fmt.Errorf("pending entry %d follows %d", e.Seq, previous)
			}
			previous = e.Seq
		}
	}
	return nil
}
