package history

import (
	"context"
	"encoding/json"
	"fmt"

	"strokebank/rules"
)

// insertFailure keeps a failure as its newest event tells it. The number
// guards against an older word written later.
func (d *database) insertFailure(ctx context.Context, unit string, e *rules.Entry) error {
	payload, err := json.Marshal(e.Failure)
	if err != nil {
		return fmt.Errorf("failure %s: %w", e.Failure.ID, err)
	}
	_, err = d.exec(ctx, `INSERT INTO failures (unit, id, seq, payload) VALUES (?, ?, ?, ?)
		ON CONFLICT (unit, id) DO UPDATE SET seq = excluded.seq, payload = excluded.payload WHERE excluded.seq >= failures.seq`,
		unit, e.Failure.ID, int64(e.Seq), string(payload))
	return err
}

// failures reads those of a unit, in the order in which they were told last.
func (d *database) failures(ctx context.Context, unit string) ([]rules.Failure, error) {
	rows, err := d.readers.QueryContext(ctx, "SELECT payload FROM failures WHERE unit = ? ORDER BY seq", unit)
	if err != nil {
		return nil, fmt.Errorf("failures of %s: %w", unit, err)
	}
	defer rows.Close()
	var all []rules.Failure
	for rows.Next() {
		var payload []byte
		var f rules.Failure
		if err := rows.Scan(&payload); err != nil {
			return nil, fmt.Errorf("failures of %s: %w", unit, err)
		}
		if err := json.Unmarshal(payload, &f); err != nil {
			return nil, fmt.Errorf("failures of %s: %w", unit, err)
		}
		all = append(all, f)
	}
	return all, rows.Err()
}
