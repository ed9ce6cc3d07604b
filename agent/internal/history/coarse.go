package history

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Trends are kept in steps that grow with age: as they came (a minute) for
// eight days, in ten minutes for sixty, in hours for as long as Retain says.
// *Common practice, no source*: a shift looks at minutes, a month's review at
// ten, years at hours.
const (
	fineFor = 8 * day
	tensFor = 60 * day
	tens    = 600  // s
	hours   = 3600 // s
)

// Removing goes in portions, so that an event never waits long for the
// writing connection; a pass removes at most so many days of rows, so that a
// clock that is wrong for a day costs little detail.
const (
	thinPortion = 2000
	thinDays    = 3
)

// condense makes the coarse rows of a stretch of time, ?2 to ?3 ns, from the
// fine ones. It may be repeated: a coarse row only changes for one that holds
// more readings, so that rows that have lost their fine ones stay.
const condense = `INSERT INTO coarse (seconds, series, start, covered, count, min, mean, max)
	SELECT ?1, series, start / (?1 * 1000000000) * (?1 * 1000000000) AS began,
		min(?1, sum(seconds)), sum(count), min(min), sum(mean * count) / sum(count), max(max)
	FROM trends WHERE start >= ?2 AND start < ?3 AND seconds <= ?1
		AND count > 0 AND min IS NOT NULL AND mean IS NOT NULL AND max IS NOT NULL
	GROUP BY series, began
	ON CONFLICT DO UPDATE SET covered = excluded.covered, count = excluded.count,
		min = excluded.min, mean = excluded.mean, max = excluded.max
	WHERE excluded.count > coarse.count`

// coarsen brings the coarse rows up to date with all fine ones, a day a
// transaction. It holds no mark of how far it came: what is late, or bears the
// time of a clock that stepped, is taken in like the rest.
func (s *Store) coarsen(ctx context.Context) error {
	for next := int64(0); ; {
		from, err := s.dayOfTrends(ctx, next)
		if err != nil || from < 0 {
			return err
		}
		if err := s.coarsenDay(ctx, from); err != nil {
			return fmt.Errorf("coarse trends of %s: %w", time.Unix(0, from).UTC().Format(time.DateOnly), err)
		}
		next = from + int64(day)
	}
}

// dayOfTrends is the beginning of the first day that holds fine rows from a
// time on, ns; -1 where none does.
func (s *Store) dayOfTrends(ctx context.Context, from int64) (int64, error) {
	var first sql.NullInt64
	err := s.database().readers.QueryRowContext(ctx, "SELECT min(start) FROM trends WHERE start >= ?", from).Scan(&first)
	if err != nil || !first.Valid {
		return -1, err
	}
	return first.Int64 / int64(day) * int64(day), nil
}

func (s *Store) coarsenDay(ctx context.Context, from int64) error {
	s.write.Lock()
	defer s.write.Unlock()
	if s.closed.Load() {
		return ErrClosed
	}
	if s.ballast.missing() {
		return errSpaceForEvents
	}
	return s.db.update(ctx, func() error {
		for _, seconds := range []int{tens, hours} {
			if _, err := s.db.exec(ctx, condense, seconds, from, from+int64(day)); err != nil {
				return err
			}
		}
		return nil
	})
}

const (
	thinFine = `DELETE FROM trends WHERE (start, series, seconds) IN (
		SELECT start, series, seconds FROM trends WHERE start < ?1 ORDER BY start LIMIT ?2)`
	thinTens = `DELETE FROM coarse WHERE (seconds, series, start) IN (
		SELECT seconds, series, start FROM coarse WHERE seconds = 600 AND start < ?1 ORDER BY start LIMIT ?2)`
)

// thin removes rows whose time for their step is over, once coarser ones
// stand for them.
func (s *Store) thin(ctx context.Context) error {
	if err := s.coarsen(ctx); err != nil {
		return err
	}
	var series int
	if err := s.database().readers.QueryRowContext(ctx, "SELECT count(*) FROM series").Scan(&series); err != nil {
		return err
	}
	now := s.opts.Now()
	for _, step := range []struct {
		query  string
		before time.Time
		most   int
	}{
		{thinFine, now.Add(-fineFor), thinDays * 1440 * series},
		{thinTens, now.Add(-tensFor), thinDays * 144 * series},
	} {
		for left := step.most; left > 0; left -= thinPortion {
			n, err := s.thinPortion(ctx, step.query, step.before.UnixNano(), min(left, thinPortion))
			if err != nil {
				return err
			}
			if n == 0 {
				break
			}
		}
	}
	return nil
}

func (s *Store) thinPortion(ctx context.Context, query string, before int64, limit int) (n int64, err error) {
	s.write.Lock()
	defer s.write.Unlock()
	if s.closed.Load() {
		return 0, ErrClosed
	}
	err = s.db.update(ctx, func() error {
		result, err := s.db.exec(ctx, query, before, limit)
		if err != nil {
			return err
		}
		n, err = result.RowsAffected()
		return err
	})
	return n, err
}
