package history

import (
	"context"
	"fmt"
	"math"
	"time"

	"strokebank/rules"
)

// coarseSteps are the steps of the table of coarse rows, s.
var coarseSteps = [...]int{tens, hours}

// Curve is the unit's course of one name in steps: rows that start within
// [from, to), oldest first, each over one step of a grid that divides the day
// (UTC), least and most coarseSteps, and Covered saying how much of it holds
// readings. Where nothing was known there is no row. A step of a minute or
// less gives the rows as they came; where only coarser ones are left, theirs
// are given.
func (s *Store) Curve(ctx context.Context, unit, name string, from, to time.Time, step time.Duration) ([]rules.Trend, error) {
	read := func(seconds int, from, to time.Time) ([]rules.Trend, error) {
		return s.steps(ctx, unit, name, seconds, from.UnixNano(), to.UnixNano())
	}
	fit := len(coarseSteps)
	for fit > 0 && time.Duration(coarseSteps[fit-1])*time.Second > step {
		fit--
	}
	// The newest coarse row may not be complete: fine ones follow from there.
	var coarse []rules.Trend
	var err error
	fresh := from
	if fit > 0 {
		if coarse, err = read(coarseSteps[fit-1], from, to); err != nil {
			return nil, err
		}
		if n := len(coarse); n > 0 {
			fresh = coarse[n-1].Start
		}
	}
	all, err := read(0, fresh, to)
	if err != nil {
		return nil, err
	}
	all = joint(coarse, all)
	// What is older stands in coarser rows only.
	for ; fit < len(coarseSteps); fit++ {
		first := to
		if len(all) > 0 {
			first = all[0].Start.Add(1)
		}
		if coarse, err = read(coarseSteps[fit], from, first); err != nil {
			return nil, err
		}
		all = joint(coarse, all)
	}
	return gather(all, step), nil
}

// joint puts fine rows behind coarse ones. They meet in the last coarse row's
// stretch; what holds more readings stands for it.
func joint(coarse, fine []rules.Trend) []rules.Trend {
	n := len(coarse)
	if n == 0 {
		return fine
	}
	last := coarse[n-1]
	end := last.Start.Add(time.Duration(last.Seconds) * time.Second)
	count, first := 0, 0
	for ; first < len(fine) && fine[first].Start.Before(end); first++ {
		count += fine[first].Count
	}
	if count >= last.Count {
		return append(coarse[:n-1], fine...)
	}
	return append(coarse, fine[first:]...)
}

// steps reads the rows of one coarseSteps step; 0 is as they came.
func (s *Store) steps(ctx context.Context, unit, name string, seconds int, from, to int64) ([]rules.Trend, error) {
	query := `SELECT start, seconds, seconds, count, min, mean, max FROM trends
		WHERE start >= ?3 AND start < ?4 AND series = (SELECT number FROM series WHERE unit = ?1 AND name = ?2)
			AND ?5 = 0 AND count > 0 AND min IS NOT NULL AND mean IS NOT NULL AND max IS NOT NULL ORDER BY start, seconds`
	if seconds > 0 {
		query = `SELECT start, seconds, covered, count, min, mean, max FROM coarse
			WHERE seconds = ?5 AND series = (SELECT number FROM series WHERE unit = ?1 AND name = ?2)
				AND start >= ?3 AND start < ?4 ORDER BY start`
	}
	rows, err := s.database().readers.QueryContext(ctx, query, unit, name, from, to, seconds)
	if err != nil {
		return nil, fmt.Errorf("trend %s of %s: %w", name, unit, err)
	}
	defer rows.Close()
	var all []rules.Trend
	for rows.Next() {
		t := rules.Trend{Name: name}
		var start int64
		if err := rows.Scan(&start, &t.Seconds, &t.Covered, &t.Count, &t.Min, &t.Mean, &t.Max); err != nil {
			return nil, fmt.Errorf("trend %s of %s: %w", name, unit, err)
		}
		t.Start = time.Unix(0, start).UTC()
		all = append(all, t)
	}
	return all, rows.Err()
}

// gather joins rows that begin in the same step. A row that is longer than a
// step stays as it is.
func gather(rows []rules.Trend, step time.Duration) []rules.Trend {
	if step <= time.Minute {
		return rows
	}
	var out []rules.Trend
	for _, r := range rows {
		if r.Seconds <= step.Seconds() {
			r.Start = r.Start.Truncate(step)
			r.Seconds = step.Seconds()
		}
		n := len(out)
		if n == 0 || !out[n-1].Start.Equal(r.Start) || out[n-1].Seconds != r.Seconds {
			out = append(out, r)
			continue
		}
		o := &out[n-1]
		total := o.Count + r.Count
		o.Mean += (r.Mean - o.Mean) * float64(r.Count) / float64(total)
		o.Count = total
		o.Covered = math.Min(o.Covered+r.Covered, o.Seconds)
		o.Min, o.Max = math.Min(o.Min, r.Min), math.Max(o.Max, r.Max)
	}
	return out
}

// Between hands the unit's events of a time [from, to) to take, in the order
// in which they were stored, until there are no more or take says no. It
// reads past all that is stored and holds one at a time. Events in memory
// alone come last.
func (s *Store) Between(ctx context.Context, unit string, from, to time.Time, take func(rules.Entry) bool) error {
	memory, _ := s.pendingAfter(0)
	db := s.database()
	rows, err := db.readers.QueryContext(ctx, `SELECT seq, id, unit, time, payload FROM events
		WHERE unit = ? AND time >= ? AND time < ? ORDER BY seq`, unit, from.UnixNano(), to.UnixNano())
	if err != nil {
		return fmt.Errorf("events of %s: %w", unit, err)
	}
	defer rows.Close()
	var last uint64
	for rows.Next() {
		e, err := scanEntry(rows, db.installation)
		if err != nil {
			return fmt.Errorf("events of %s: %w", unit, err)
		}
		last = e.Seq
		if !take(e) {
			return nil
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("events of %s: %w", unit, err)
	}
	for _, e := range memory {
		if e.Seq > last && e.Unit == unit && !e.Time.Before(from) && e.Time.Before(to) && !take(e) {
			return nil
		}
	}
	return nil
}
