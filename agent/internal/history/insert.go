package history

import (
	"cmp"
	"context"

	"strokebank/rules"
	"strokebank/rules/machine"
)

// insert writes a batch inside a transaction. again says that it was tried
// before: after a failed commit nobody knows whether its rows landed, so rows
// that stand already are left as they are.
func (d *database) insert(ctx context.Context, b *batch, again bool) error {
	if err := d.insertEvents(ctx, b, again); err != nil {
		return err
	}
	for _, r := range b.runs {
		if again {
			if landed, err := d.hasRun(ctx, b.unit, r); landed || err != nil {
				return err
			}
		}
		if err := d.insertRun(ctx, b.unit, r); err != nil {
			return err
		}
	}
	if b.state == nil {
		return nil
	}
	_, err := d.exec(ctx, `INSERT INTO units (unit, saved, state) VALUES (?, ?, ?)
		ON CONFLICT (unit) DO UPDATE SET saved = excluded.saved, state = excluded.state`,
		b.unit, nanos(b.at), b.state)
	return err
}

func (d *database) insertEvents(ctx context.Context, b *batch, again bool) error {
	if err := d.noteUnused(ctx, b); err != nil {
		return err
	}
	query := "INSERT INTO events (seq, unit, time, kind, id, payload) VALUES (?, ?, ?, ?, ?, ?)"
	if again {
		query += " ON CONFLICT (seq) DO NOTHING"
	}
	for i := range b.entries {
		e := &b.entries[i]
		var id any // NULL where it follows from the number
		if e.ID != entryID(d.installation, e.Seq) {
			id = e.ID
		}
		// What the agent records may concern one of its units.
		if _, err := d.exec(ctx, query, int64(e.Seq), cmp.Or(e.Unit, b.unit), nanos(e.Time), string(e.Kind), id, string(b.payloads[i])); err != nil {
			return err
		}
		if e.Failure != nil {
			if err := d.insertFailure(ctx, cmp.Or(e.Unit, b.unit), e); err != nil {
				return err
			}
		}
		if e.Kind != rules.AlarmEvent {
			continue
		}
		// The number guards against an older transition written later.
		if _, err := d.exec(ctx, `INSERT INTO alarm_states (unit, source, name, state, seq, payload) VALUES (?, ?, ?, ?, ?, ?)
			ON CONFLICT (unit, source, name) DO UPDATE SET state = excluded.state, seq = excluded.seq, payload = excluded.payload
			WHERE excluded.seq >= alarm_states.seq`,
			cmp.Or(e.Unit, b.unit), e.Source, e.Name, e.To, int64(e.Seq), string(b.payloads[i])); err != nil {
			return err
		}
	}
	return nil
}

func (d *database) insertRun(ctx context.Context, unit string, r machine.Run) error {
	_, err := d.exec(ctx, `INSERT INTO runs (unit, position, serial, start, stop, seconds, lead, start_seen, cut, doubt)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		unit, r.Position, r.Serial, nanos(r.Start), nanos(r.End), r.Seconds, r.Lead, r.StartSeen, r.Cut, r.Doubt)
	return err
}

// hasRun looks among the newest runs only: a batch is tried again before many
// others follow.
func (d *database) hasRun(ctx context.Context, unit string, r machine.Run) (bool, error) {
	var n int
	err := d.w.QueryRowContext(ctx, `SELECT count(*) FROM runs
		WHERE number > (SELECT coalesce(max(number), 0) FROM runs) - ? AND unit = ? AND position = ? AND start IS ? AND stop IS ?`,
		maxPending, unit, r.Position, nanos(r.Start), nanos(r.End)).Scan(&n)
	return n > 0, err
}

// insertCursors writes the given cursors inside a transaction.
func (d *database) insertCursors(ctx context.Context, cursors map[string]uint64) error {
	for name, seq := range cursors {
		if _, err := d.exec(ctx, `INSERT INTO cursors (name, seq) VALUES (?, ?)
			ON CONFLICT (name) DO UPDATE SET seq = excluded.seq`, name, int64(seq)); err != nil {
			return err
		}
	}
	return nil
}
