// Package history is the durable record of the agent: events with a sequence
// number, completed runs, alarm states, the rules' saved state, trends, and
// the heartbeat. It is also the outbox: what leaves the program as an event
// is read from here, in order, from a cursor on.
//
// A Record is synced when it returns; trends go in batches; cursors are saved
// lazily. When the disk does not take a write, the ballast (a few megabytes
// held for this) is given back to it and the write is tried again. When that
// does not help either, records are kept in memory, bounded, marked not
// durable, served in order all the same, and written as soon as the disk
// takes them. What goes first when space runs out: trends, then events other
// than alarms, then runs, and alarm events last.
package history

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"modernc.org/sqlite"
)

// ErrClosed is what a closed store answers.
var ErrClosed = errors.New("history is closed")

// Options say where and how much a Store keeps.
type Options struct {
	Dir   string           // made with mode 0700 where it is missing
	Agent string           // first part of the installation's id
	Log   *slog.Logger     // nil: nothing is logged
	Now   func() time.Time // wall clock; nil: time.Now
	// Retain bounds what is kept; zero fields take the defaults.
	Retain Retain
	// Reserve is the ballast held on the disk for alarm events, bytes.
	// 0: 4 MiB; negative: none.
	Reserve int64

	vfs      string                                      // SQLite's file layer, for fault injection
	openFile func(path string, size int64) (file, error) // likewise for the slot files
}

// Store is the open record. All methods are safe for concurrent use.
type Store struct {
	opts Options
	log  *slog.Logger

	// write serialises everything that changes the database and the pending
	// list. It is taken before mu, never after.
	write   sync.Mutex
	ballast ballast
	mark    mark

	// mu guards what follows; it is never held across I/O.
	mu       sync.Mutex
	db       *database
	last     uint64 // the last sequence number given out
	newest   uint64 // of the newest entry that exists, durable or not
	durable  uint64 // of the newest entry in the database
	pending  pending
	cursors  map[string]uint64
	unsaved  map[string]bool // names of the cursors that differ from the database
	appended chan struct{}
	stats    Stats

	beats  sync.Mutex
	hearts map[string]*slots
	closed atomic.Bool
}

// Open opens the store in o.Dir, or makes it. A damaged database is put aside
// under a dated name and replaced (see Stats.Damage); what can still be read
// of the alarm states, the saved states and the unsent events is carried
// over. The error names the directory. The caller closes the store, and runs
// Run beside it.
func Open(ctx context.Context, o Options) (*Store, error) {
	o.defaults()
	// The same durability at less wear: the file system's journal is spared
	// the time stamps. Not every platform has it, and then nothing changes.
	_, _ = sqlite.Fdatasync(true)
	s := &Store{
		opts: o, log: o.Log, appended: make(chan struct{}),
		hearts: map[string]*slots{}, unsaved: map[string]bool{},
		ballast: ballast{path: filepath.Join(o.Dir, "reserve.bin"), size: o.Reserve},
	}
	if err := s.open(ctx); err != nil {
		if s.db != nil {
			err = errors.Join(err, s.db.close())
		}
		return nil, fmt.Errorf("history in %s: %w", o.Dir, err)
	}
	return s, nil
}

func (o *Options) defaults() {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Reserve == 0 {
		o.Reserve = 4 << 20
	}
	if o.openFile == nil {
		o.openFile = openFixed
	}
	o.Retain.defaults()
}

func (s *Store) open(ctx context.Context) error {
	if err := os.MkdirAll(s.opts.Dir, 0o700); err != nil {
		return err
	}
	abs, err := filepath.Abs(s.opts.Dir)
	if err != nil {
		return err
	}
	if err := s.openOrReplace(ctx, filepath.Join(abs, "history.db")); err != nil {
		return err
	}
	err = s.load(ctx)
	if isDamaged(err) {
		if err = s.replace(ctx, err); err == nil {
			err = s.load(ctx)
		}
	}
	if err != nil {
		return err
	}
	if err := s.ballast.restore(s.opts.Dir); err != nil {
		s.log.Warn("the disk's reserve for alarm events cannot be made", "path", s.ballast.path, "error", err)
	}
	return nil
}

// load reads where the numbering and the cursors stand.
func (s *Store) load(ctx context.Context) error {
	newest, err := s.db.newest(ctx)
	if err != nil {
		return err
	}
	if s.cursors, err = s.db.loadCursors(ctx); err != nil {
		return err
	}
	s.newest, s.durable = newest, newest
	if s.last, err = mentioned(ctx, s.db.w); err != nil {
		return err
	}
	f, err := s.opts.openFile(filepath.Join(s.opts.Dir, "numbers.bin"), slotFileSize)
	if err != nil {
		s.log.Warn("numbers given out on a full disk cannot be remembered", "error", err)
		return nil
	}
	s.mark = openMark(f)
	s.last = max(s.last, s.mark.upTo)
	return nil
}

// Close writes what is pending and closes the store. Events that the disk
// still does not take are lost, and the error says how many.
func (s *Store) Close() error {
	s.write.Lock()
	defer s.write.Unlock()
	if s.closed.Swap(true) {
		return nil
	}
	ctx := context.Background()
	var errs []error
	if s.pending.rows() > 0 || len(s.unsaved) > 0 {
		if err := s.flush(ctx, nil); err != nil && s.pending.rows() > 0 {
			errs = append(errs, fmt.Errorf("%d records are lost: %w", s.pending.rows(), err))
		}
	}
	errs = append(errs, s.closeHearts(), s.mark.close(), s.db.close())
	s.mu.Lock()
	close(s.appended) // wakes who waits; Wait then answers ErrClosed
	s.mu.Unlock()
	return errors.Join(errs...)
}

// Installation is the id of this store: the agent's name and eight random
// hexadecimal digits, made when the store was. A replaced store has a new one.
func (s *Store) Installation() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.db.installation
}

// Newest is the sequence number of the newest entry; 0 for none.
func (s *Store) Newest() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.newest
}

// Appended is closed at the next append, and at Close. Take it before reading
// Entries, then nothing is missed; any number may wait on it.
func (s *Store) Appended() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.appended
}

// Wait returns once there is an entry after the given number. It returns the
// context's error, or ErrClosed.
func (s *Store) Wait(ctx context.Context, after uint64) error {
	for {
		s.mu.Lock()
		there, changed := s.newest > after, s.appended
		s.mu.Unlock()
		switch {
		case s.closed.Load():
			return ErrClosed
		case there:
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
