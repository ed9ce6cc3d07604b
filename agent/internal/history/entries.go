package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// Entries is up to limit entries after the given sequence number, in order;
// those in memory alone come last, with Durable false.
func (s *Store) Entries(ctx context.Context, after uint64, limit int) ([]rules.Entry, error) {
	// Memory first: what moves to the disk meanwhile is then found there, and
	// nothing falls between the two.
	memory, durable := s.pendingAfter(after)
	var entries []rules.Entry
	if after < durable {
		var err error
		db := s.database()
		if entries, err = stored(ctx, db, after, limit); s.healed(ctx, db, err) {
			entries, err = stored(ctx, s.database(), after, limit)
		}
		if err != nil {
			return nil, fmt.Errorf("entries after %d: %w", after, err)
		}
	}
	return join(entries, memory, limit), nil
}

// join appends what is newer in memory than on the disk.
func join(stored, memory []rules.Entry, limit int) []rules.Entry {
	var last uint64
	if n := len(stored); n > 0 {
		last = stored[n-1].Seq
	}
	for _, e := range memory {
		if e.Seq > last && len(stored) < limit {
			stored = append(stored, e)
		}
	}
	return stored
}

// stored reads entries from the database.
func stored(ctx context.Context, db *database, after uint64, limit int) ([]rules.Entry, error) {
	rows, err := db.readers.QueryContext(ctx,
		"SELECT seq, id, unit, time, payload FROM events WHERE seq > ? ORDER BY seq LIMIT ?", int64(min(after, math.MaxInt64)), limit)
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

func scanEntry(rows *sql.Rows, installation string) (rules.Entry, error) {
	var seq int64
	var at sql.NullInt64
	var id sql.NullString
	var unit string
	var payload []byte
	if err := rows.Scan(&seq, &id, &unit, &at, &payload); err != nil {
		return rules.Entry{}, err
	}
	e := rules.Entry{Schema: rules.Schema, ID: id.String, Seq: uint64(seq), Durable: true}
	if !id.Valid {
		e.ID = entryID(installation, e.Seq)
	}
	if err := json.Unmarshal(payload, &e.Event); err != nil {
		// One event that the disk has spoiled must not hold up all that follow.
		e.Event = rules.Event{Kind: rules.AgentEvent, Time: moment(at), Unit: unit, Source: "agent", Name: "unreadable",
			Reason: "the disk gave the event back spoiled: " + err.Error()}
	}
	return e, nil
}

// database is the present one; it changes when a damaged one is replaced.
func (s *Store) database() *database {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.db
}

// State is the unit's saved rules state; nil where none was ever saved.
func (s *Store) State(ctx context.Context, unit string) ([]byte, error) {
	if state := s.pendingState(unit); state != nil {
		return state, nil
	}
	db := s.database()
	state, err := storedState(ctx, db, unit)
	if s.healed(ctx, db, err) {
		state, err = storedState(ctx, s.database(), unit)
	}
	if err != nil {
		return nil, fmt.Errorf("saved state of %s: %w", unit, err)
	}
	return state, nil
}

func storedState(ctx context.Context, db *database, unit string) (state []byte, err error) {
	err = db.readers.QueryRowContext(ctx, "SELECT state FROM units WHERE unit = ?", unit).Scan(&state)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return state, err
}

func (s *Store) pendingState(unit string) (state []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, b := range s.pending.batches {
		if b.unit == unit && b.state != nil {
			state = b.state
		}
	}
	return state
}

// Alarms is the state of every alarm of the unit that ever had an event, as
// its last stored event left it. Value and limit are not known here.
func (s *Store) Alarms(ctx context.Context, unit string) ([]alarm.Status, error) {
	rows, err := s.database().readers.QueryContext(ctx,
		"SELECT payload FROM alarm_states WHERE unit = ? ORDER BY source, name", unit)
	if err != nil {
		return nil, fmt.Errorf("alarm states of %s: %w", unit, err)
	}
	defer rows.Close()
	var all []alarm.Status
	for rows.Next() {
		var payload []byte
		var e rules.Event
		if err := errors.Join(rows.Scan(&payload), json.Unmarshal(payload, &e)); err != nil {
			return nil, fmt.Errorf("alarm states of %s: %w", unit, err)
		}
		all = append(all, alarm.Status{
			Name: e.Name, Source: e.Source, Title: e.Title, State: alarm.State(e.To), Reason: e.Reason,
			Priority: e.Priority, Since: e.Time, Action: e.Action, Value: signal.Unknown(), Limit: signal.Unknown(),
		})
	}
	return all, rows.Err()
}

// Runs is the unit's completed runs that ended within [from, to), in the
// order in which they were stored. Runs in memory alone are not among them.
func (s *Store) Runs(ctx context.Context, unit string, from, to time.Time) ([]machine.Run, error) {
	found, err := s.runs(ctx, "WHERE unit = ? AND stop >= ? AND stop < ? ORDER BY number", unit, from.UnixNano(), to.UnixNano())
	var all []machine.Run
	for _, r := range found {
		all = append(all, r.Run)
	}
	return all, err
}

func scanRun(rows *sql.Rows) (r rules.NumberedRun, err error) {
	var start, stop sql.NullInt64
	var number int64
	err = rows.Scan(&number, &r.Position, &r.Serial, &start, &stop, &r.Seconds, &r.Lead, &r.StartSeen, &r.Cut, &r.Doubt)
	r.Number, r.Start, r.End = uint64(number), moment(start), moment(stop)
	return r, err
}
