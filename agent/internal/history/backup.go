package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	sqlite3 "modernc.org/sqlite/lib"
)

// What Backup and Restore answer where they were not told to replace.
var (
	ErrExists = errors.New("it is there already, and is not replaced without being told")
	ErrInUse  = errors.New("a running agent, or another program, has the store open: stop it first")
)

// Backup copies the store in dir, which an agent may be writing, into one file
// at to: the state of one moment, whole, synced before it gets its name. The
// heartbeats are in it. An existing file is ErrExists, unless replace is set.
func Backup(ctx context.Context, dir, to string, replace bool) error {
	o := Options{Dir: dir}
	path, err := o.databasePath()
	if err == nil {
		_, err = os.Stat(path)
	}
	if err == nil && !replace {
		err = absent(to)
	}
	if err == nil {
		err = o.backup(ctx, path, to)
	}
	if err != nil {
		return fmt.Errorf("backup of %s: %w", dir, err)
	}
	return nil
}

// absent is nil where there is no file.
func absent(path string) error {
	switch _, err := os.Lstat(path); {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err == nil:
		return fmt.Errorf("%s: %w", path, ErrExists)
	default:
		return err
	}
}

func (o *Options) backup(ctx context.Context, path, to string) (err error) {
	// Heartbeats first: one that is older than the state is what a restart
	// after a power cut has too.
	beats, err := readBeats(filepath.Dir(path))
	if err != nil {
		return err
	}
	partial, err := filepath.Abs(fmt.Sprintf("%s.partial-%d", to, os.Getpid()))
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, removeDatabase(partial))
		}
	}()
	if err := copyDatabase(ctx, path, partial); err != nil {
		return err
	}
	if err := alter(ctx, partial, func(tx *sql.Tx) error { return putBeats(ctx, tx, beats) }); err != nil {
		return err
	}
	if err := syncFile(partial); err != nil {
		return err
	}
	if err := os.Rename(partial, to); err != nil {
		return err
	}
	return syncDir(filepath.Dir(partial))
}

// copyDatabase writes the present state of a database into a new file.
func copyDatabase(ctx context.Context, from, to string) error {
	db, err := sql.Open("sqlite", dsn(from, "", "mode=ro", "_pragma=busy_timeout(5000)"))
	if err != nil {
		return err
	}
	defer db.Close()
	if err := removeDatabase(to); err != nil {
		return err
	}
	if err := os.WriteFile(to, nil, 0o600); err != nil { // so that nobody else reads it
		return err
	}
	_, err = db.ExecContext(ctx, "VACUUM INTO ?", to)
	return err
}

// removeDatabase removes a database that nobody has open, with what SQLite
// keeps beside it.
func removeDatabase(path string) error {
	var errs []error
	for _, part := range []string{"", "-wal", "-shm", "-journal"} {
		if err := os.Remove(path + part); err != nil && !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// alter changes a database that nobody else has open, in one transaction.
func alter(ctx context.Context, path string, change func(*sql.Tx) error) error {
	db, err := sql.Open("sqlite", dsn(path, "", "_pragma=synchronous(FULL)"))
	if err != nil {
		return err
	}
	defer db.Close()
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if err := change(tx); err != nil {
		return err
	}
	return errors.Join(tx.Commit(), db.Close())
}

// beatFile is a heartbeat as it stands on the disk.
type beatFile struct {
	name    string
	content []byte
}

func readBeats(dir string) (beats []beatFile, err error) {
	paths, err := filepath.Glob(filepath.Join(dir, "beat-*.bin"))
	if err != nil {
		return nil, err
	}
	for _, path := range paths {
		content, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		if len(content) == slotFileSize {
			beats = append(beats, beatFile{filepath.Base(path), content})
		}
	}
	return beats, nil
}

// The table in which a backup holds what is no part of the database. No store
// in use has it.
func putBeats(ctx context.Context, tx *sql.Tx, beats []beatFile) error {
	if _, err := tx.ExecContext(ctx, "CREATE TABLE backup_files (name TEXT PRIMARY KEY, content BLOB NOT NULL) WITHOUT ROWID"); err != nil {
		return err
	}
	for _, b := range beats {
		if _, err := tx.ExecContext(ctx, "INSERT INTO backup_files (name, content) VALUES (?, ?)", b.name, b.content); err != nil {
			return err
		}
	}
	return nil
}

func takeBeats(ctx context.Context, tx *sql.Tx) (beats []beatFile, err error) {
	rows, err := tx.QueryContext(ctx, "SELECT name, content FROM backup_files")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var b beatFile
		if err := rows.Scan(&b.name, &b.content); err != nil {
			return nil, err
		}
		if b.name != filepath.Base(b.name) || !strings.HasPrefix(b.name, "beat-") || len(b.content) != slotFileSize {
			return nil, fmt.Errorf("its heartbeat %q is none", b.name)
		}
		beats = append(beats, b)
	}
	return beats, rows.Err()
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// held is a store that nobody else can open while it is kept.
type held struct {
	db *sql.DB
	c  *sql.Conn
}

// hold takes a store for itself; one that somebody has open is ErrInUse.
func hold(ctx context.Context, path string) (*held, error) {
	db, err := sql.Open("sqlite", dsn(path, "", "_pragma=busy_timeout(0)", "_pragma=locking_mode(EXCLUSIVE)", "_txlock=exclusive"))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	h := &held{db: db}
	if h.c, err = db.Conn(ctx); err == nil {
		_, err = h.c.ExecContext(ctx, "BEGIN EXCLUSIVE; COMMIT; PRAGMA wal_checkpoint(TRUNCATE)")
	}
	if code(err) == sqlite3.SQLITE_BUSY {
		err = ErrInUse
	}
	if isDamaged(err) {
		err = nil // what cannot be read is put aside all the same
	}
	if err != nil {
		return nil, errors.Join(err, h.release())
	}
	return h, nil
}

func (h *held) release() error {
	var errs []error
	if h.c != nil {
		errs = append(errs, h.c.Close())
	}
	return errors.Join(append(errs, h.db.Close())...)
}

// stamp is a time as part of a file's name.
func stamp(t time.Time) string { return t.UTC().Format("20060102T150405Z") }
