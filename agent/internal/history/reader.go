package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"strokebank/rules"
)

// Reader reads a store that another process may be writing. It cannot write,
// and it holds the log open for a page of rows at a time, however slow whoever
// takes them is. What that process keeps in memory alone, because its disk
// takes nothing, is not in it. All methods are safe for concurrent use.
type Reader struct{ store Store }

// OpenReader opens the store in dir to read it. A store of another version of
// the program is an error: the agent brings an older one forward when it opens
// it.
func OpenReader(ctx context.Context, dir string) (*Reader, error) {
	o := Options{Dir: dir}
	path, err := o.databasePath()
	if err == nil {
		_, err = os.Stat(path)
	}
	if err != nil {
		return nil, fmt.Errorf("history in %s: %w", dir, err)
	}
	db, err := openReadOnly(ctx, path, "", errors.New("it was opened to be read"))
	if err != nil {
		return nil, fmt.Errorf("history in %s: %w", filepath.Dir(path), err)
	}
	return &Reader{store: Store{opts: o, db: db}}, nil
}

// Close closes the store.
func (r *Reader) Close() error { return r.store.db.close() }

// pageRows is how many numbers a page spans: few enough that the log is never
// held for long, enough that the page costs nothing.
const pageRows = 5000

// selection is what of a table is wanted: of a unit, within [from, to). A zero
// time is no bound; rows without a time are then among them.
func selection(unit, column string, from, to time.Time) (where string, args []any) {
	where, args = "unit = ?", []any{unit}
	if !from.IsZero() {
		where, args = where+" AND "+column+" >= ?", append(args, from.UnixNano())
	}
	if !to.IsZero() {
		where, args = where+" AND "+column+" < ?", append(args, to.UnixNano())
	}
	return where, args
}

// pages reads a table in stretches of its number, up to the newest that it had
// at the beginning: row takes one row in, hand gives on what has come together
// once nothing is held open any more.
func (r *Reader) pages(ctx context.Context, table, number, columns, where string, args []any, row func(*sql.Rows) error, hand func() error) error {
	db := r.store.db.readers
	var first, last sql.NullInt64
	if err := db.QueryRowContext(ctx, "SELECT min("+number+"), max("+number+") FROM "+table).Scan(&first, &last); err != nil {
		return fmt.Errorf("%s: %w", table, err)
	}
	if !first.Valid {
		return nil
	}
	query, err := db.PrepareContext(ctx, "SELECT "+columns+" FROM "+table+" WHERE "+where+
		" AND "+number+" >= ? AND "+number+" <= ? ORDER BY "+number)
	if err != nil {
		return fmt.Errorf("%s: %w", table, err)
	}
	defer query.Close()
	for from := first.Int64; from <= last.Int64; from += pageRows {
		args := append(args[:len(args):len(args)], from, min(from+pageRows-1, last.Int64))
		if err := page(ctx, query, args, row); err != nil {
			return fmt.Errorf("%s: %w", table, err)
		}
		if err := hand(); err != nil {
			return err
		}
	}
	return nil
}

func page(ctx context.Context, query *sql.Stmt, args []any, row func(*sql.Rows) error) error {
	rows, err := query.QueryContext(ctx, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// Runs hands the unit's completed runs that ended within [from, to) to take,
// in the order in which they were stored; a zero time is no bound. Take may be
// slow; what it is given is overwritten by the next. Its error ends the
// reading and comes back.
func (r *Reader) Runs(ctx context.Context, unit string, from, to time.Time, take func(*rules.NumberedRun) error) error {
	where, args := selection(unit, "stop", from, to)
	read := runPage{words: map[string]string{}}
	return r.pages(ctx, "runs", "number", "number, position, serial, start, stop, seconds, lead, start_seen, cut, doubt",
		where, args, read.row, func() error { return read.hand(take) })
}

// Events is Runs for the unit's events of some kinds, by their time; none: of
// all. Their Durable is true.
func (r *Reader) Events(ctx context.Context, unit string, kinds []rules.Kind, from, to time.Time, take func(*rules.Entry) error) error {
	where, args := selection(unit, "time", from, to)
	if len(kinds) > 0 {
		where += " AND kind IN (?" + strings.Repeat(", ?", len(kinds)-1) + ")"
		for _, k := range kinds {
			args = append(args, string(k))
		}
	}
	var page []rules.Entry
	return r.pages(ctx, "events", "seq", "seq, id, unit, time, payload", where, args, func(rows *sql.Rows) error {
		e, err := scanEntry(rows, r.store.db.installation)
		page = append(page, e)
		return err
	}, func() error {
		for i := range page {
			if err := take(&page[i]); err != nil {
				return err
			}
		}
		page = page[:0]
		return nil
	})
}

// Failures is what is known of the unit's failures, the one that was told last
// at the end.
func (r *Reader) Failures(ctx context.Context, unit string) ([]rules.Failure, error) {
	return r.store.db.failures(ctx, unit)
}

// Series lists the names of the unit's trends.
func (r *Reader) Series(ctx context.Context, unit string) ([]string, error) {
	rows, err := r.store.db.readers.QueryContext(ctx, "SELECT name FROM series WHERE unit = ? ORDER BY name", unit)
	if err != nil {
		return nil, fmt.Errorf("trends of %s: %w", unit, err)
	}
	defer rows.Close()
	var names []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, fmt.Errorf("trends of %s: %w", unit, err)
		}
		names = append(names, name)
	}
	return names, rows.Err()
}

// Curve is Store.Curve.
func (r *Reader) Curve(ctx context.Context, unit, name string, from, to time.Time, step time.Duration) ([]rules.Trend, error) {
	return r.store.Curve(ctx, unit, name, from, to, step)
}

// State is the unit's saved rules state and when it was written; nil where
// none was ever saved.
func (r *Reader) State(ctx context.Context, unit string) (state []byte, saved time.Time, err error) {
	var at sql.NullInt64
	err = r.store.db.readers.QueryRowContext(ctx, "SELECT state, saved FROM units WHERE unit = ?", unit).Scan(&state, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, time.Time{}, nil
	}
	if err != nil {
		return nil, time.Time{}, fmt.Errorf("saved state of %s: %w", unit, err)
	}
	return state, moment(at), nil
}

// Extent is from when to when the store knows of the unit: its events, runs
// and trends (the newest of which are those of all units), leaving out what
// bears an impossible time. Zero times: nothing.
func (r *Reader) Extent(ctx context.Context, unit string) (first, last time.Time, err error) {
	var low, high sql.NullInt64
	err = r.store.db.readers.QueryRowContext(ctx, `SELECT min(low), max(high) FROM (
		SELECT min(time) AS low, max(time) AS high FROM events WHERE unit = ?1 AND time >= ?2
		UNION ALL SELECT min(start), max(stop) FROM runs WHERE unit = ?1 AND start >= ?2
		UNION ALL SELECT min(start), max(start + seconds * 1000000000) FROM coarse WHERE start >= ?2
			AND series IN (SELECT number FROM series WHERE unit = ?1)
		UNION ALL SELECT min(start), max(start) FROM trends WHERE start >= ?2)`, unit, int64(plausible)).Scan(&low, &high)
	if err != nil {
		return first, last, fmt.Errorf("extent of %s: %w", unit, err)
	}
	return moment(low), moment(high), nil
}

// runPage is a page of runs, and the few words that they are made of, so that
// a million of them cost no memory of their own.
type runPage struct {
	runs  []rules.NumberedRun
	words map[string]string
}

func (p *runPage) row(rows *sql.Rows) error {
	var r rules.NumberedRun
	var number int64
	var start, stop sql.NullInt64
	var position, serial sql.RawBytes
	err := rows.Scan(&number, &position, &serial, &start, &stop, &r.Seconds, &r.Lead, &r.StartSeen, &r.Cut, &r.Doubt)
	r.Number, r.Start, r.End = uint64(number), moment(start), moment(stop)
	r.Position, r.Serial = p.word(position), p.word(serial)
	p.runs = append(p.runs, r)
	return err
}

// mostWords bounds what is remembered: a store has a few machines.
const mostWords = 1000

func (p *runPage) word(text []byte) string {
	if w, ok := p.words[string(text)]; ok {
		return w
	}
	if len(p.words) >= mostWords {
		clear(p.words)
	}
	w := string(text)
	p.words[w] = w
	return w
}

func (p *runPage) hand(take func(*rules.NumberedRun) error) error {
	for i := range p.runs {
		if err := take(&p.runs[i]); err != nil {
			return err
		}
	}
	p.runs = p.runs[:0]
	return nil
}
