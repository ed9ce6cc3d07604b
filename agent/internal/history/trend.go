package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"

	"strokebank/rules"
)

var errSpaceForEvents = errors.New("the disk is nearly full and its space is kept for events")

type seriesKey struct{ unit, name string }

// Trend stores one batch of trend rows in one transaction. Two parts of the
// same stretch (the program was restarted in the middle of it) become one
// row. Trends are not kept in memory when the disk does not take them: the
// error comes back and the rows are gone.
func (s *Store) Trend(ctx context.Context, unit string, trends []rules.Trend) error {
	if len(trends) == 0 {
		return nil
	}
	s.write.Lock()
	defer s.write.Unlock()
	if s.closed.Load() {
		return ErrClosed
	}
	if s.ballast.missing() {
		return fmt.Errorf("trends of %s: %w", unit, errSpaceForEvents)
	}
	ctx = context.WithoutCancel(ctx)
	err := s.db.update(ctx, func() error {
		for _, t := range trends {
			if err := s.db.insertTrend(ctx, seriesKey{unit, t.Name}, t); err != nil {
				return err
			}
		}
		return nil
	})
	s.outcome(err)
	if err != nil {
		clear(s.db.series) // numbers made in the failed transaction are void
		return fmt.Errorf("trends of %s: %w", unit, err)
	}
	return nil
}

func (d *database) insertTrend(ctx context.Context, key seriesKey, t rules.Trend) error {
	number, err := d.seriesNumber(ctx, key)
	if err != nil {
		return err
	}
	_, err = d.exec(ctx, `INSERT INTO trends (start, series, seconds, count, min, mean, max) VALUES (?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET
			mean = CASE WHEN count = 0 THEN excluded.mean WHEN excluded.count = 0 THEN mean
				ELSE (mean * count + excluded.mean * excluded.count) / (count + excluded.count) END,
			min = min(coalesce(min, excluded.min), coalesce(excluded.min, min)),
			max = max(coalesce(max, excluded.max), coalesce(excluded.max, max)),
			count = count + excluded.count`,
		t.Start.UnixNano(), number, t.Seconds, t.Count, real(t.Min), real(t.Mean), real(t.Max))
	return err
}

// real is v as it stands in a column; NULL where it is not finite.
func real(v float64) any {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return v
}

func (d *database) seriesNumber(ctx context.Context, key seriesKey) (int64, error) {
	if n, ok := d.series[key]; ok {
		return n, nil
	}
	var n int64
	err := d.w.QueryRowContext(ctx, "SELECT number FROM series WHERE unit = ? AND name = ?", key.unit, key.name).Scan(&n)
	if errors.Is(err, sql.ErrNoRows) {
		var r sql.Result
		if r, err = d.exec(ctx, "INSERT INTO series (unit, name) VALUES (?, ?)", key.unit, key.name); err == nil {
			n, err = r.LastInsertId()
		}
	}
	if err != nil {
		return 0, fmt.Errorf("series %s: %w", key.name, err)
	}
	d.series[key] = n
	return n, nil
}

// Trends is the unit's rows of one name that start within [from, to), oldest
// first. Where nothing was known in a stretch, Count is 0 and the figures are
// NaN.
func (s *Store) Trends(ctx context.Context, unit, name string, from, to time.Time) ([]rules.Trend, error) {
	rows, err := s.database().readers.QueryContext(ctx,
		`SELECT start, seconds, count, min, mean, max FROM trends
		 WHERE start >= ? AND start < ? AND series = (SELECT number FROM series WHERE unit = ? AND name = ?)
		 ORDER BY start, seconds`, from.UnixNano(), to.UnixNano(), unit, name)
	if err != nil {
		return nil, fmt.Errorf("trend %s of %s: %w", name, unit, err)
	}
	defer rows.Close()
	var all []rules.Trend
	for rows.Next() {
		t := rules.Trend{Name: name}
		var start int64
		var low, mean, high sql.Null[float64]
		if err := rows.Scan(&start, &t.Seconds, &t.Count, &low, &mean, &high); err != nil {
			return nil, fmt.Errorf("trend %s of %s: %w", name, unit, err)
		}
		t.Start = time.Unix(0, start).UTC()
		t.Min, t.Mean, t.Max = orNaN(low), orNaN(mean), orNaN(high)
		all = append(all, t)
	}
	return all, rows.Err()
}

func orNaN(v sql.Null[float64]) float64 {
	if !v.Valid {
		return math.NaN()
	}
	return v.V
}
