package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

const (
	keptDamaged = 3     // damaged databases kept aside; older ones are removed
	maxSalvaged = 10000 // unsent events carried over from a damaged database
)

// openOrReplace opens the database; one that is damaged is put aside first.
// A disk without space gets the ballast back.
func (s *Store) openOrReplace(ctx context.Context, path string) (*database, error) {
	db, err := openDatabase(ctx, path, s.opts.vfs, s.opts.Agent)
	if err != nil && !isDamaged(err) && s.ballast.release() {
		db, err = openDatabase(ctx, path, s.opts.vfs, s.opts.Agent)
	}
	if isDamaged(err) {
		db, err = s.startAnew(ctx, path, err)
	}
	return db, err
}

// replace puts a database aside that turned out to be damaged while in use,
// and goes on in a new one. The caller holds s.write.
func (s *Store) replace(ctx context.Context, cause error) error {
	old := s.db
	_ = old.close() // it is given up; what it says adds nothing
	db, err := s.startAnew(ctx, old.path, cause)
	if err != nil {
		return s.giveUp(ctx, old, err)
	}
	db.committed.Add(old.committed.Load())
	s.mu.Lock()
	defer s.mu.Unlock()
	s.db = db
	for name := range s.cursors {
		s.unsaved[name] = true
	}
	return nil
}

// startAnew renames the damaged file, makes a new one with an installation of
// its own, and carries over what can be read.
func (s *Store) startAnew(ctx context.Context, path string, cause error) (*database, error) {
	aside, err := putAside(path, s.opts.Now().UTC().Format("20060102T150405Z"))
	if err != nil {
		return nil, errors.Join(cause, err)
	}
	db, err := openDatabase(ctx, path, s.opts.vfs, s.opts.Agent)
	if err != nil {
		return nil, errors.Join(cause, err)
	}
	kept := salvage(ctx, db, aside)
	s.log.Error("the database was damaged and is replaced", "aside", aside, "installation", db.installation,
		"carried_over", kept, "error", cause)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stats.Damage = fmt.Sprintf("damaged database kept as %s: %v", aside, cause)
	return db, nil
}

// putAside renames the database and its log under a dated name that is free.
func putAside(path, date string) (string, error) {
	aside := filepath.Join(filepath.Dir(path), "damaged-"+date+".db")
	for i := 2; ; i++ {
		if _, err := os.Lstat(aside); errors.Is(err, fs.ErrNotExist) {
			break
		}
		aside = filepath.Join(filepath.Dir(path), fmt.Sprintf("damaged-%s-%d.db", date, i))
	}
	for _, part := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(path+part, aside+part); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	if err := dropOldest(filepath.Dir(path)); err != nil {
		return "", err
	}
	return aside, syncDir(filepath.Dir(path))
}

// dropOldest keeps the files put aside from filling the disk.
func dropOldest(dir string) error {
	all, err := filepath.Glob(filepath.Join(dir, "damaged-*.db"))
	if err != nil {
		return err
	}
	slices.Sort(all)
	for len(all) > keptDamaged {
		for _, part := range []string{"-wal", "-shm", ""} {
			if err := os.Remove(all[0] + part); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
		all = all[1:]
	}
	return nil
}

// salvage copies what can still be read: saved states, alarm states, failures,
// cursors, the newest runs, and the events that no cursor has passed, with the ids
// that they had. Each table is read from its newest row until a row cannot be
// read. It returns how many rows came over.
func salvage(ctx context.Context, to *database, aside string) int {
	from, err := sql.Open("sqlite", dsn(aside, "", "mode=ro"))
	if err != nil {
		return 0
	}
	defer from.Close()
	var installation string
	var sent sql.NullInt64
	// An installation that cannot be read leaves the ids unknown, and events
	// without their ids would reach the outside twice.
	if from.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = 'installation'").Scan(&installation) != nil {
		installation = ""
	}
	_ = from.QueryRowContext(ctx, "SELECT min(seq) FROM cursors").Scan(&sent) // unknown: from the start
	kept := copyRows(ctx, from, to, "units", "unit, saved, state", "")
	kept += copyRows(ctx, from, to, "alarm_states", "unit, source, name, state, seq, payload", "")
	kept += copyRows(ctx, from, to, "cursors", "name, seq", "")
	kept += copyRows(ctx, from, to, "failures", "unit, id, seq, payload", "")
	kept += copyRows(ctx, from, to, "runs",
		"number, unit, position, serial, start, stop, seconds, lead, start_seen, cut, doubt", "ORDER BY number DESC")
	if installation != "" {
		kept += copyEvents(ctx, from, to, installation, sent.Int64)
	}
	return kept
}

func copyEvents(ctx context.Context, from *sql.DB, to *database, installation string, sent int64) int {
	rest := fmt.Sprintf("WHERE seq > %d ORDER BY seq DESC LIMIT %d", sent, maxSalvaged)
	n := copyRows(ctx, from, to, "events", "seq, unit, time, kind, id, payload", rest)
	err := to.update(ctx, func() error {
		_, err := to.exec(ctx, "UPDATE events SET id = ? || '-' || seq WHERE id IS NULL", installation)
		return err
	})
	if err != nil {
		return 0
	}
	return n
}

// copyRows copies rows in one transaction, as far as they can be read.
func copyRows(ctx context.Context, from *sql.DB, to *database, table, columns, rest string) int {
	rows, err := from.QueryContext(ctx, "SELECT "+columns+" FROM "+table+" "+rest)
	if err != nil {
		return 0
	}
	defer rows.Close()
	n := strings.Count(columns, ",") + 1
	insert := "INSERT INTO " + table + " (" + columns + ") VALUES (" + strings.TrimSuffix(strings.Repeat("?, ", n), ", ") + ")"
	values, places := make([]any, n), make([]any, n)
	for i := range values {
		places[i] = &values[i]
	}
	kept := 0
	err = to.update(ctx, func() error {
		for rows.Next() {
			if err := rows.Scan(places...); err != nil {
				return nil // what was read so far is kept
			}
			if _, err := to.exec(ctx, insert, values...); err != nil {
				return err
			}
			kept++
		}
		return nil
	})
	if err != nil {
		return 0
	}
	return kept
}
