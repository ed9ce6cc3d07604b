package history

import (
	"context"
	"database/sql"
	"math"
	"time"
)

// Retain bounds the store. Zero fields take the defaults, which are common
// practice, no source.
type Retain struct {
	Size   int64         // bytes in use; default 300 MiB
	Trends time.Duration // default 10 years; see fineFor for their steps
	Events time.Duration // other than alarms; default 3 years
	Runs   time.Duration // default 10 years
	Alarms time.Duration // default 10 years
}

const day = 24 * time.Hour

func (r *Retain) defaults() {
	orElse := func(d *time.Duration, value time.Duration) {
		if *d == 0 {
			*d = value
		}
	}
	if r.Size == 0 {
		r.Size = 300 << 20
	}
	orElse(&r.Trends, 10*365*day)
	orElse(&r.Events, 3*365*day)
	orElse(&r.Runs, 10*365*day)
	orElse(&r.Alarms, 10*365*day)
}

const (
	// A pass removes at most so many rows of a kind by age, so that a clock
	// that is wrong for a day cannot empty the store.
	maxAged = 5000
	// A pass removes at most so many portions by size; the next goes on.
	maxPortions = 200
	portion     = 1000
	// While the ballast is given away, so many pages inside the file are kept
	// free for events.
	freePages = 256
)

// shed removes the oldest rows of one kind: older than ?1 (ns), numbered up
// to ?2 where the kind is numbered, at most ?3 of them. The newest event
// always stays: it holds the place of the numbering.
type shed string

const (
	shedTrends shed = `DELETE FROM trends WHERE (start, series, seconds) IN (
		SELECT start, series, seconds FROM trends WHERE start < ?1 AND ?2 >= 0 ORDER BY start LIMIT ?3)`
	shedCoarse shed = `DELETE FROM coarse WHERE (seconds, series, start) IN (
		SELECT seconds, series, start FROM coarse WHERE start < ?1 AND ?2 >= 0 ORDER BY start LIMIT ?3)`
	shedEvents shed = `DELETE FROM events WHERE seq IN (SELECT seq FROM events
		WHERE kind <> 'alarm' AND coalesce(time, 0) < ?1 AND seq <= ?2 AND seq < (SELECT max(seq) FROM events) ORDER BY seq LIMIT ?3)`
	shedRuns shed = `DELETE FROM runs WHERE number IN (SELECT number FROM runs
		WHERE coalesce(stop, 0) < ?1 AND number <= ?2 ORDER BY number LIMIT ?3)`
	shedAlarms shed = `DELETE FROM events WHERE seq IN (SELECT seq FROM events
		WHERE coalesce(time, 0) < ?1 AND seq <= ?2 AND seq < (SELECT max(seq) FROM events) ORDER BY seq LIMIT ?3)`
)

// prune removes what is too old, then what is too much. By age only events
// that every cursor has passed are removed; by size unsent ones too, but last
// of all.
func (s *Store) prune(ctx context.Context) error {
	now, sent := s.opts.Now(), s.sent()
	r := s.opts.Retain
	for _, step := range []struct {
		what shed
		age  time.Duration
	}{{shedTrends, r.Trends}, {shedCoarse, r.Trends}, {shedEvents, r.Events}, {shedRuns, r.Runs}, {shedAlarms, r.Alarms}} {
		before := now.Add(-step.age).UnixNano()
		upTo, err := s.agedUpTo(ctx, step.what, before)
		if err != nil {
			return err
		}
		if upTo == 0 {
			continue
		}
		if step.what == shedEvents || step.what == shedAlarms {
			upTo = min(upTo, sent)
		}
		if _, err := s.shed(ctx, step.what, before, upTo, maxAged); err != nil {
			return err
		}
	}
	return s.fit(ctx, sent)
}

// plausible is the least time that a clock can truly have shown, ns: this
// program did not exist before 2026. What a gateway recorded before its clock
// was set bears the year 1970, and is no older than what stands around it.
const plausible = 1767225600e9

// agedUpTo is the newest number of a kind whose time is old for certain. What
// stands before it is older still, whatever time it bears; what stands behind
// it with an impossible time waits until something younger is old. 0 where
// nothing is old.
func (s *Store) agedUpTo(ctx context.Context, what shed, before int64) (int64, error) {
	query := "SELECT max(seq) FROM events WHERE time >= ? AND time < ?"
	switch what {
	case shedRuns:
		query = "SELECT max(number) FROM runs WHERE stop >= ? AND stop < ?"
	case shedTrends:
		query = "SELECT count(*) FROM (SELECT start FROM trends WHERE start >= ? AND start < ? LIMIT 1)"
	case shedCoarse:
		query = "SELECT count(*) FROM (SELECT start FROM coarse WHERE start >= ? AND start < ? LIMIT 1)"
	}
	var number sql.NullInt64
	err := s.database().readers.QueryRowContext(ctx, query, int64(plausible), before).Scan(&number)
	return number.Int64, err
}

// fit removes portions, the least needed kind first, until the size holds.
func (s *Store) fit(ctx context.Context, sent int64) error {
	order := []struct {
		what shed
		upTo int64
	}{
		{shedTrends, 0}, {shedCoarse, 0}, {shedEvents, sent}, {shedRuns, math.MaxInt64},
		{shedAlarms, sent}, {shedEvents, math.MaxInt64}, {shedAlarms, math.MaxInt64},
	}
	trimmed := false
	defer func() { s.noteTrimmed(trimmed) }()
	for range maxPortions {
		used, _, err := s.space(ctx)
		if err != nil || used <= s.opts.Retain.Size || len(order) == 0 {
			return err
		}
		trimmed = true
		n, err := s.shed(ctx, order[0].what, math.MaxInt64, order[0].upTo, portion)
		if err != nil {
			return err
		}
		if n == 0 {
			order = order[1:]
		}
	}
	return nil
}

// noteTrimmed takes down whether the size made records go before their time,
// and says so in the log when it begins and ends.
func (s *Store) noteTrimmed(trimmed bool) {
	s.mu.Lock()
	was := s.trimmed
	s.trimmed = trimmed
	s.mu.Unlock()
	switch {
	case trimmed && !was:
		s.log.Warn("the store has reached its size: records go before their time, trends first and alarm events last",
			"dir", s.opts.Dir, "bytes", s.opts.Retain.Size)
	case was && !trimmed:
		s.log.Info("the store is within its size again", "dir", s.opts.Dir)
	}
}

// shed runs one removal in a transaction of its own and says how many went.
func (s *Store) shed(ctx context.Context, what shed, before, upTo, limit int64) (int64, error) {
	s.write.Lock()
	defer s.write.Unlock()
	if s.closed.Load() {
		return 0, ErrClosed
	}
	return s.shedLocked(ctx, what, before, upTo, limit)
}

func (s *Store) shedLocked(ctx context.Context, what shed, before, upTo, limit int64) (n int64, err error) {
	err = s.db.update(ctx, func() error {
		result, err := s.db.exec(ctx, string(what), before, upTo, limit)
		if err != nil {
			return err
		}
		n, err = result.RowsAffected()
		return err
	})
	return n, err
}

// keepFreePages gives the space of old trends, and then of sent events other
// than alarms, to new events while the disk has no more. The caller holds
// s.write.
func (s *Store) keepFreePages(ctx context.Context) {
	if _, free, err := s.space(ctx); err != nil || free >= freePages {
		return
	}
	n, err := s.shedLocked(ctx, shedTrends, math.MaxInt64, 0, portion)
	if err == nil && n == 0 {
		n, err = s.shedLocked(ctx, shedEvents, math.MaxInt64, s.sent(), portion)
	}
	if err != nil {
		s.log.Warn("no space can be made for events", "error", err)
	}
}

// sent is the number that every cursor has passed; without a cursor nothing
// waits to be sent.
func (s *Store) sent() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	lowest := int64(math.MaxInt64)
	for _, seq := range s.cursors {
		lowest = min(lowest, int64(seq))
	}
	return lowest
}

// space is the bytes in use inside the file, and its free pages.
func (s *Store) space(ctx context.Context) (used, free int64, err error) {
	var pages int64
	err = s.database().readers.QueryRowContext(ctx,
		"SELECT page_count, freelist_count FROM pragma_page_count, pragma_freelist_count").Scan(&pages, &free)
	return (pages - free) * pageSize, free, err
}
