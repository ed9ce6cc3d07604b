package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// Restored says what Restore did.
type Restored struct {
	Checked
	Before string // the installation that the backup is of
	Aside  string // where the store that stood there is; empty: none did
}

// Restore puts the backup at from into dir as the store of the agent of that
// name. A store that somebody has open is ErrInUse. One that is there is
// ErrExists, unless replace is set; then it is kept aside under a dated name.
//
// What the agent did after the backup has left the program under numbers that
// it would give again. So the store gets an installation of its own, with
// which the ids of new events begin, and the events that are in it keep the
// ids that they had: no id is ever given twice.
func Restore(ctx context.Context, dir, from, agent string, replace bool, now time.Time) (Restored, error) {
	r, err := restore(ctx, dir, from, agent, replace, now)
	if err != nil {
		return r, fmt.Errorf("restore into %s: %w", dir, err)
	}
	return r, nil
}

func restore(ctx context.Context, dir, from, agent string, replace bool, now time.Time) (r Restored, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return r, err
	}
	path, err := (&Options{Dir: dir}).databasePath()
	if err != nil {
		return r, err
	}
	there := absent(path)
	if there != nil && !errors.Is(there, ErrExists) {
		return r, there
	}
	var h *held
	if there != nil {
		if h, err = hold(ctx, path); err != nil {
			return r, err
		}
		defer func() { err = errors.Join(err, h.release()) }()
		if !replace {
			return r, there
		}
	}
	partial := filepath.Join(filepath.Dir(path), "restore.partial")
	defer func() { err = errors.Join(err, removeDatabase(partial)) }()
	beats, err := r.prepare(ctx, from, partial, agent)
	if err != nil {
		return r, err
	}
	return r, r.place(path, partial, beats, h != nil, now)
}

// prepare makes of the backup the store that shall be there.
func (r *Restored) prepare(ctx context.Context, from, partial, agent string) (beats []beatFile, err error) {
	if from, err = filepath.Abs(from); err != nil {
		return nil, err
	}
	if _, err := os.Stat(from); err != nil {
		return nil, err
	}
	if err := copyDatabase(ctx, from, partial); err != nil {
		return nil, fmt.Errorf("%s: %w", from, err)
	}
	err = alter(ctx, partial, func(tx *sql.Tx) (err error) {
		if beats, err = takeBeats(ctx, tx); err != nil {
			return fmt.Errorf("it is no backup of this program: %w", err)
		}
		if err := tx.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = 'installation'").Scan(&r.Before); err != nil {
			return err
		}
		for _, step := range []struct {
			query string
			arg   []any
		}{
			{"UPDATE events SET id = ? || '-' || seq WHERE id IS NULL", []any{r.Before}},
			{"UPDATE meta SET value = ? WHERE key = 'installation'", []any{newInstallation(agent)}},
			{"DROP TABLE backup_files", nil},
		} {
			if _, err := tx.ExecContext(ctx, step.query, step.arg...); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", from, err)
	}
	if err := forward(ctx, partial); err != nil {
		return nil, fmt.Errorf("%s: %w", from, err)
	}
	if r.Checked, err = CheckFile(ctx, partial); err != nil {
		return nil, fmt.Errorf("the backup is not sound: %w", err)
	}
	return beats, syncFile(partial)
}

// forward brings a backup of an older program to the present schema.
func forward(ctx context.Context, path string) (err error) {
	db, err := sql.Open("sqlite", dsn(path, "", "_pragma=synchronous(FULL)"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	c, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	return migrate(ctx, c)
}

// place puts the store where it shall be. What stood there goes aside; its
// heartbeats belong to no state that is left.
func (r *Restored) place(path, partial string, beats []beatFile, there bool, now time.Time) error {
	dir := filepath.Dir(path)
	if there {
		aside := filepath.Join(dir, "replaced-"+stamp(now)+".db")
		if err := absent(aside); err != nil {
			return err
		}
		if err := renameDatabase(path, aside); err != nil {
			return err
		}
		r.Aside = aside
	}
	old, err := filepath.Glob(filepath.Join(dir, "beat-*.bin"))
	if err != nil {
		return err
	}
	for _, beat := range old {
		if err := os.Remove(beat); err != nil {
			return err
		}
	}
	for _, b := range beats {
		name := filepath.Join(dir, b.name)
		if err := os.WriteFile(name, b.content, 0o600); err != nil {
			return err
		}
		if err := syncFile(name); err != nil {
			return err
		}
	}
	if err := os.Rename(partial, path); err != nil {
		return err
	}
	return syncDir(dir)
}

// renameDatabase renames a database with its log.
func renameDatabase(path, to string) error {
	for _, part := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(path+part, to+part); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return nil
}
