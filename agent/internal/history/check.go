package history

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
)

// Checked is what a sound store holds.
type Checked struct {
	Installation string
	Events, Runs int64
	Oldest       uint64 // sequence numbers of the events
	Newest       uint64
	Schema       int
}

// CheckFile checks a store, or a backup of one, that another process may have
// open: the file itself, what must agree in it, and that no sequence number is
// missing but those that retention took or that were given out and never used.
// It reads everything and changes nothing. The error names all that was found.
func CheckFile(ctx context.Context, path string) (Checked, error) {
	db, err := openReadOnly(ctx, path, "", errors.New("it was opened to be checked"))
	if err != nil {
		return Checked{}, fmt.Errorf("%s: %w", path, err)
	}
	defer db.close()
	s := &Store{opts: Options{Dir: filepath.Dir(path)}, db: db}
	if s.last, err = mentioned(ctx, db.readers); err != nil {
		return Checked{}, fmt.Errorf("%s: %w", path, err)
	}
	found := errors.Join(s.Verify(ctx), holes(ctx, db), s.contradiction(ctx, db, "an alarm state whose event is missing", `
		SELECT a.seq FROM alarm_states a WHERE a.seq >= (SELECT min(seq) FROM events WHERE kind <> 'alarm')
		AND a.seq <= (SELECT max(seq) FROM events) AND a.seq NOT IN (SELECT seq FROM events)
		AND NOT EXISTS (SELECT 1 FROM meta WHERE key LIKE 'unused-%' AND a.seq BETWEEN CAST(substr(key, 8) AS INTEGER) AND CAST(value AS INTEGER)) LIMIT 1`))
	if found != nil {
		return Checked{}, fmt.Errorf("%s: %w", path, found)
	}
	c := Checked{Installation: db.installation, Schema: len(migrations)}
	err = db.readers.QueryRowContext(ctx, `SELECT count(*), coalesce(min(seq), 0), coalesce(max(seq), 0), (SELECT count(*) FROM runs) FROM events`).
		Scan(&c.Events, &c.Oldest, &c.Newest, &c.Runs)
	return c, err
}

// Path is the database file of the store in dir.
func Path(dir string) string { return filepath.Join(dir, "history.db") }

// mostHoles is how many missing stretches are named.
const mostHoles = 10

// holes looks for sequence numbers that are missing. What retention removes
// lies before the oldest event that is no alarm: alarms are kept longer.
func holes(ctx context.Context, db *database) error {
	unused, err := unusedNumbers(ctx, db)
	if err != nil {
		return err
	}
	rows, err := db.readers.QueryContext(ctx, `SELECT before + 1, seq - 1 FROM
		(SELECT seq, lag(seq) OVER (ORDER BY seq) AS before FROM events WHERE seq >= (SELECT min(seq) FROM events WHERE kind <> 'alarm'))
		WHERE seq > before + 1`)
	if err != nil {
		return fmt.Errorf("missing numbers: %w", err)
	}
	defer rows.Close()
	var errs []error
	for rows.Next() && len(errs) < mostHoles {
		var from, to int64
		if err := rows.Scan(&from, &to); err != nil {
			return fmt.Errorf("missing numbers: %w", err)
		}
		if unused[from] < to {
			errs = append(errs, fmt.Errorf("events %d to %d are missing", from, to))
		}
	}
	return errors.Join(append(errs, rows.Err())...)
}

// unusedNumbers are the stretches that noteUnused wrote: last by first.
func unusedNumbers(ctx context.Context, db *database) (map[int64]int64, error) {
	rows, err := db.readers.QueryContext(ctx, "SELECT key, value FROM meta WHERE key LIKE 'unused-%'")
	if err != nil {
		return nil, fmt.Errorf("unused numbers: %w", err)
	}
	defer rows.Close()
	unused := map[int64]int64{}
	for rows.Next() {
		var key, value string
		if err := rows.Scan(&key, &value); err != nil {
			return nil, fmt.Errorf("unused numbers: %w", err)
		}
		from, err := strconv.ParseInt(strings.TrimPrefix(key, "unused-"), 10, 64)
		to, otherErr := strconv.ParseInt(value, 10, 64)
		if err == nil && otherErr == nil {
			unused[from] = to
		}
	}
	return unused, rows.Err()
}

// noteUnused writes, with the events that follow, which numbers before them
// stand in no event: they were reserved on a disk that took nothing, or went
// with a damaged database. A check then knows them from lost ones.
func (d *database) noteUnused(ctx context.Context, b *batch) error {
	if len(b.entries) == 0 {
		return nil
	}
	newest, err := d.newest(ctx)
	first := b.entries[0].Seq
	if err != nil || newest == 0 || first <= newest+1 {
		return err
	}
	_, err = d.exec(ctx, "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
		fmt.Sprintf("unused-%d", newest+1), strconv.FormatUint(first-1, 10))
	return err
}
