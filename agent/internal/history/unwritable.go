package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
)

// provisional is where numbering starts while nobody can read how far it had
// come: beyond every number that a store reaches, so that a reader that stands
// there is recognised once the true numbers are known, and within what every
// JSON reader keeps exactly (RFC 8259, 6: 2^53 - 1).
const provisional = 1 << 52

var errNewer = errors.New("it was written by a newer program")

// openUnwritable goes on without a disk that can be written: what stands there
// is read where that is possible, and everything new is kept in memory until
// attach succeeds. cause is why the store could not be opened properly.
func (s *Store) openUnwritable(ctx context.Context, path string, cause error) error {
	db, err := openReadOnly(ctx, path, s.opts.vfs, cause)
	if err == nil {
		s.db = db
		if err = s.load(ctx); err == nil {
			s.outcome(cause)
			return nil
		}
		err = errors.Join(err, db.close())
	}
	db, other := openNothing(ctx, s.mark.alias(s.opts.Agent), path, cause)
	if other != nil {
		return errors.Join(cause, err, other)
	}
	s.db, s.unnumbered, s.cursors = db, true, map[string]uint64{}
	s.last, s.newest, s.durable = provisional, provisional, provisional
	s.log.Error("nothing of the history can be read: states and counters start from nothing until the disk is back",
		"dir", s.opts.Dir, "error", err)
	s.outcome(cause)
	return nil
}

// openReadOnly opens a database that cannot be written, of this very schema.
func openReadOnly(ctx context.Context, path, vfs string, cause error) (*database, error) {
	modes := []string{"mode=ro"}
	if fileSize(path+"-wal") == 0 {
		// Where no log can be made either, SQLite reads the file only if told
		// that nobody else changes it.
		modes = append(modes, "immutable=1")
	}
	var errs []error
	for _, mode := range modes {
		d, err := readOnly(ctx, dsn(path, vfs, mode, "_pragma=query_only(1)"), 4)
		if err == nil {
			d.path, d.refused = path, refusal(cause)
			return d, nil
		}
		errs = append(errs, err)
	}
	return nil, errors.Join(errs...)
}

// openNothing is an empty database in memory that takes no record: what a
// reader finds where nothing can be read.
func openNothing(ctx context.Context, installation, path string, cause error) (*database, error) {
	readers, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return nil, err
	}
	readers.SetMaxOpenConns(1) // each connection would have a memory of its own
	d := &database{path: path, readers: readers, installation: installation, refused: refusal(cause),
		series: map[seriesKey]int64{}}
	c, err := readers.Conn(ctx)
	if err == nil {
		err = errors.Join(migrate(ctx, c), c.Close())
	}
	if err != nil {
		return nil, errors.Join(err, d.close())
	}
	return d, nil
}

func readOnly(ctx context.Context, source string, connections int) (*database, error) {
	readers, err := sql.Open("sqlite", source)
	if err != nil {
		return nil, err
	}
	readers.SetMaxOpenConns(connections)
	d := &database{readers: readers, series: map[seriesKey]int64{}}
	var version int
	err = readers.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version)
	if err == nil && version != len(migrations) {
		err = fmt.Errorf("schema version %d cannot be brought to %d without writing", version, len(migrations))
	}
	if err == nil {
		err = readers.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = 'installation'").Scan(&d.installation)
	}
	if err != nil {
		return nil, errors.Join(err, d.close())
	}
	return d, nil
}

// refusal is what every write answers meanwhile. It does not wrap the cause:
// a write that was never tried must not look like a damaged or full disk.
func refusal(cause error) error { return fmt.Errorf("the disk cannot be written: %v", cause) }

// attach opens the store properly once the disk allows it and brings what
// waits in memory under its numbers. The caller holds s.write.
func (s *Store) attach(ctx context.Context) error {
	path := s.db.path
	fresh := &Store{opts: s.opts, log: s.log, ballast: s.ballast, mark: mark{aliasID: s.mark.aliasID}}
	if err := fresh.openWritable(ctx, path); err != nil {
		s.outcome(err)
		return err
	}
	fresh.db.committed.Add(s.db.committed.Load())
	old := s.db
	s.mu.Lock()
	s.db, s.mark, s.ballast, s.roomy = fresh.db, fresh.mark, fresh.ballast, fresh.roomy
	if fresh.stats.Damage != "" {
		s.stats.Damage = fresh.stats.Damage
	}
	if s.unnumbered || s.pending.first() <= fresh.newest {
		s.renumber(fresh)
	} else {
		s.last = max(s.last, fresh.last)
		for name := range s.cursors {
			s.unsaved[name] = true
		}
	}
	s.unnumbered = false
	close(s.appended) // numbers may have moved: who waits looks again
	s.appended = make(chan struct{})
	s.mu.Unlock()
	return old.close()
}

// renumber puts what waits in memory behind what the disk holds. The entries
// keep the ids that they went out with; the cursors are the disk's again, so
// what a reader has taken meanwhile comes to it a second time. The caller
// holds s.mu.
func (s *Store) renumber(fresh *Store) {
	s.last, s.newest, s.durable = fresh.last, fresh.newest, fresh.durable
	s.cursors = fresh.cursors
	clear(s.unsaved)
	for i := range s.pending.batches {
		b := &s.pending.batches[i]
		b.entries = slices.Clone(b.entries) // readers may hold the old ones
		for k := range b.entries {
			s.last++
			b.entries[k].Seq = s.last
		}
		if len(b.entries) > 0 {
			s.newest = s.last
		}
	}
}

// first is the number of the oldest entry in memory; beyond all where there
// is none.
func (p *pending) first() uint64 {
	for i := range p.batches {
		if len(p.batches[i].entries) > 0 {
			return p.batches[i].entries[0].Seq
		}
	}
	return 1 << 63
}

// giveUp goes on without the database, which was damaged and could not be
// replaced. The caller holds s.write.
func (s *Store) giveUp(ctx context.Context, old *database, cause error) error {
	db, err := openReadOnly(ctx, old.path, s.opts.vfs, cause)
	if err != nil {
		if db, err = openNothing(ctx, old.installation, old.path, cause); err != nil {
			return errors.Join(cause, err)
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.db = db
	return cause
}

// healed reports whether a reader that met damage in db should try again: the
// database has been replaced, by this call or by another.
func (s *Store) healed(ctx context.Context, db *database, err error) bool {
	if !isDamaged(err) || db.refused != nil {
		return false
	}
	s.write.Lock()
	defer s.write.Unlock()
	switch {
	case s.closed.Load():
		return false
	case s.database() != db:
		return true
	}
	return s.replace(context.WithoutCancel(ctx), err) == nil
}

// databasePath is absolute, as SQLite's addresses need it.
func (o *Options) databasePath() (string, error) {
	abs, err := filepath.Abs(o.Dir)
	return filepath.Join(abs, "history.db"), err
}
