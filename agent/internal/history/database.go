package history

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

const (
	pageSize    = 4096
	frameHeader = 24      // bytes before each page in the log, by SQLite's file format
	journalSize = 8 << 20 // bytes the write-ahead log is cut back to after a checkpoint
)

// database is one open SQLite file: the only writing connection, and a pool
// that cannot write.
type database struct {
	path         string
	writers      *sql.DB
	w            *sql.Conn // nil where the disk cannot be written: see refused
	readers      *sql.DB
	refused      error // why nothing can be written; nil where it can
	installation string
	committed    atomic.Int64         // bytes put into the log
	prepared     map[string]*sql.Stmt // of w; used by the writer alone, like series
	series       map[seriesKey]int64
}

// openDatabase opens or creates the file, brings its schema forward and gives
// a new file an installation of its own.
func openDatabase(ctx context.Context, path, vfs, agent string) (_ *database, err error) {
	if err := fixPageSize(ctx, path, vfs); err != nil {
		return nil, err
	}
	d := &database{path: path, prepared: map[string]*sql.Stmt{}, series: map[seriesKey]int64{}}
	defer func() {
		if err != nil {
			d.close()
		}
	}()
	d.writers, err = sql.Open("sqlite", dsn(path, vfs, "_txlock=immediate",
		"_pragma=busy_timeout(5000)", "_pragma=journal_mode(WAL)", "_pragma=synchronous(FULL)",
		fmt.Sprintf("_pragma=journal_size_limit(%d)", journalSize)))
	if err != nil {
		return nil, err
	}
	d.writers.SetMaxOpenConns(1)
	if d.w, err = d.writers.Conn(ctx); err != nil {
		return nil, err
	}
	if err := migrate(ctx, d.w); err != nil {
		return nil, err
	}
	if d.installation, err = installationOf(ctx, d.w, agent); err != nil {
		return nil, err
	}
	// SQLite syncs the directory for its log, not for the database file itself.
	if err := syncDir(filepath.Dir(path)); err != nil {
		return nil, err
	}
	d.readers, err = sql.Open("sqlite", dsn(path, vfs, "mode=ro", "_pragma=busy_timeout(5000)", "_pragma=query_only(1)"))
	if err != nil {
		return nil, err
	}
	d.readers.SetMaxOpenConns(4)
	return d, nil
}

// fixPageSize sets the page size of a file that does not exist yet. It needs
// a connection of its own, closed before the log mode is chosen, or SQLite
// keeps its default.
func fixPageSize(ctx context.Context, path, vfs string) error {
	if info, err := os.Stat(path); err == nil && info.Size() > 0 {
		return nil
	}
	db, err := sql.Open("sqlite", dsn(path, vfs))
	if err != nil {
		return err
	}
	defer db.Close()
	_, err = db.ExecContext(ctx, fmt.Sprintf("PRAGMA page_size = %d; VACUUM", pageSize))
	return err
}

func dsn(path, vfs string, options ...string) string {
	u := url.URL{Scheme: "file", Path: path}
	if vfs != "" {
		options = append(options, "vfs="+vfs)
	}
	for i, o := range options {
		if i > 0 {
			u.RawQuery += "&"
		}
		u.RawQuery += o
	}
	return u.String()
}

// installationOf reads the installation's id, or makes it once: the agent's
// name and eight random hexadecimal digits.
func installationOf(ctx context.Context, c *sql.Conn, agent string) (string, error) {
	var id string
	err := c.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = 'installation'").Scan(&id)
	if !errors.Is(err, sql.ErrNoRows) {
		return id, err
	}
	id = newInstallation(agent)
	_, err = c.ExecContext(ctx, "INSERT INTO meta (key, value) VALUES ('installation', ?)", id)
	return id, err
}

func newInstallation(agent string) string {
	var b [4]byte
	rand.Read(b[:]) // never fails, by its documentation
	return agent + "-" + hex.EncodeToString(b[:])
}

// close closes everything that was opened; the last connection checkpoints
// the log.
func (d *database) close() error {
	var errs []error
	if d.readers != nil {
		errs = append(errs, d.readers.Close())
	}
	for _, stmt := range d.prepared {
		errs = append(errs, stmt.Close())
	}
	if d.w != nil {
		errs = append(errs, d.w.Close())
	}
	if d.writers != nil {
		errs = append(errs, d.writers.Close())
	}
	return errors.Join(errs...)
}

// update runs f in one transaction of the writing connection. When it returns
// nil the transaction is synced.
func (d *database) update(ctx context.Context, f func() error) error {
	if d.refused != nil {
		return d.refused
	}
	if _, err := d.w.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := f()
	if err == nil {
		_, err = d.w.ExecContext(ctx, "COMMIT")
	}
	d.committed.Add(d.bytesWritten())
	if err != nil {
		// SQLite may have rolled back on its own already; its answer to a
		// second time adds nothing.
		_, _ = d.w.ExecContext(ctx, "ROLLBACK")
	}
	return err
}

// A log of this many pages, on a disk with space and on one without.
const (
	logPages      = 1000 // SQLite's default: the fewer checkpoints, the less wear
	logPagesShort = 64
)

// keepLogShort folds the log into the database and keeps it short from now
// on. An event takes some hundred bytes there and 9 kB in the log, so a full
// disk's last space lasts for many more events.
func (d *database) keepLogShort(ctx context.Context) {
	// The space is a gain, not a condition: the write that follows says
	// whether there is enough.
	_, _ = d.w.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
	_, _ = d.w.ExecContext(ctx, fmt.Sprintf("PRAGMA wal_autocheckpoint = %d", logPagesShort))
}

// keepLogLong is the inverse, for a disk that has space again.
func (d *database) keepLogLong(ctx context.Context) {
	_, _ = d.w.ExecContext(ctx, fmt.Sprintf("PRAGMA wal_autocheckpoint = %d", logPages))
}

// exec runs a statement of the writing connection, prepared once.
func (d *database) exec(ctx context.Context, query string, args ...any) (sql.Result, error) {
	stmt, ok := d.prepared[query]
	if !ok {
		var err error
		if stmt, err = d.w.PrepareContext(ctx, query); err != nil {
			return nil, err
		}
		d.prepared[query] = stmt
	}
	return stmt.ExecContext(ctx, args...)
}

// bytesWritten is how much was put into the log since the last call,
// from SQLite's own count of pages.
func (d *database) bytesWritten() int64 {
	var pages int
	err := d.w.Raw(func(c any) error {
		counter, ok := c.(sqlite.DBStatus)
		if !ok {
			return errors.ErrUnsupported
		}
		var err error
		pages, _, err = counter.Status(sqlite.DBStatusCacheWrite, true)
		return err
	})
	if err != nil {
		return 0 // a missing figure is no reason to fail a commit that stands
	}
	return int64(pages) * (pageSize + frameHeader)
}

// newest is the highest sequence number in the file; 0 for an empty one.
func (d *database) newest(ctx context.Context) (uint64, error) {
	var seq sql.NullInt64
	err := d.any().QueryRowContext(ctx, "SELECT max(seq) FROM events").Scan(&seq)
	return uint64(seq.Int64), err
}

// querier is a connection or a pool.
type querier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// any is where the database can be read: the writing connection, which sees
// everything, or the readers where nothing can be written.
func (d *database) any() querier {
	if d.w != nil {
		return d.w
	}
	return d.readers
}

// mentioned is the highest sequence number that anything in the file refers
// to. It is beyond newest where a replaced database lost its newest events.
func mentioned(ctx context.Context, from querier) (uint64, error) {
	var seq sql.NullInt64
	err := from.QueryRowContext(ctx, `SELECT max(seq) FROM (SELECT max(seq) AS seq FROM events
		UNION ALL SELECT max(seq) FROM alarm_states UNION ALL SELECT max(seq) FROM cursors)`).Scan(&seq)
	return uint64(seq.Int64), err
}

// code is SQLite's primary result code of err; 0 where it is no SQLite error.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

func isFull(err error) bool { return code(err) == sqlite3.SQLITE_FULL }

func isDamaged(err error) bool {
	return code(err) == sqlite3.SQLITE_CORRUPT || code(err) == sqlite3.SQLITE_NOTADB
}

// nanos is t as it stands in a column; NULL for the zero time.
func nanos(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixNano()
}

// moment is the inverse of nanos.
func moment(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.Unix(0, n.Int64).UTC()
}
