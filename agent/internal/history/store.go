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
// takes them. The same holds from Open on where the disk is read-only, away or
// broken at the start: what can be read of it is read.
//
// What goes first when space runs out: trends, then events other than alarms,
// then runs, and alarm events last.
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
	// unnumbered says that the disk's numbers are not known: those in memory
	// start at provisional.
	unnumbered bool
	roomy      bool // see Health
	trimmed    bool // likewise
	opened     time.Time
	writing    atomic.Int64 // since opened, of the write under way; 0: none

	beats  sync.Mutex
	hearts map[string]*slots
	closed atomic.Bool
}

// Open opens the store in o.Dir, or makes it. A damaged database is put aside
// under a dated name and replaced (see Stats.Damage); what can still be read
// of the alarm states, the saved states and the unsent events is carried
// over.
//
// A disk that cannot be written, or not even read, does not keep the store
// from opening: records then stay in memory, bounded and not durable, with ids
// that no other process gives, until Run finds that the disk takes them (see
// Stats.Failing). The error is for a store of a newer program and for the end
// of ctx; it names the directory. The caller closes the store, and runs Run
// beside it.
func Open(ctx context.Context, o Options) (*Store, error) {
	o.defaults()
	// The same durability at less wear: the file system's journal is spared
	// the time stamps. Not every platform has it, and then nothing changes.
	_, _ = sqlite.Fdatasync(true)
	s := &Store{
		opts: o, log: o.Log, opened: time.Now(), appended: make(chan struct{}),
		hearts: map[string]*slots{}, unsaved: map[string]bool{},
		ballast: ballast{path: filepath.Join(o.Dir, "reserve.bin"), size: o.Reserve},
	}
	if err := s.open(ctx); err != nil {
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
	path, err := s.opts.databasePath()
	if err != nil {
		return err
	}
	err = s.openWritable(ctx, path)
	if err == nil || ctx.Err() != nil || errors.Is(err, errNewer) {
		return err
	}
	return s.openUnwritable(ctx, path, err)
}

// openWritable opens the store as it should be. On an error nothing is left
// open.
func (s *Store) openWritable(ctx context.Context, path string) error {
	if err := os.MkdirAll(s.opts.Dir, 0o700); err != nil {
		return err
	}
	db, err := s.openOrReplace(ctx, path)
	if err != nil {
		// SQLite says that it cannot, the system says why.
		if f, why := os.OpenFile(path, os.O_RDWR, 0); why != nil {
			err = fmt.Errorf("%w (%w)", err, why)
		} else {
			f.Close()
		}
		return err
	}
	s.db = db
	err = s.load(ctx)
	if isDamaged(err) {
		if err = s.replace(ctx, err); err == nil {
			err = s.load(ctx)
		}
	}
	if err != nil {
		err = errors.Join(err, s.mark.close(), s.db.close())
		s.db, s.mark = nil, mark{aliasID: s.mark.aliasID}
		return err
	}
	if err := s.ballast.restore(s.opts.Dir); err != nil {
		s.log.Warn("the disk's reserve for alarm events cannot be made", "path", s.ballast.path, "error", err)
	}
	s.noteRoom()
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
	if s.last, err = mentioned(ctx, s.db.any()); err != nil {
		return err
	}
	path := filepath.Join(s.opts.Dir, "numbers.bin")
	if s.db.refused != nil { // the file can be read, if it is there
		if v, err := readSlots(path); err == nil {
			s.last = max(s.last, markedIn(v))
		}
		return nil
	}
	f, err := s.opts.openFile(path, slotFileSize)
	if err != nil {
		s.log.Warn("numbers given out on a full disk cannot be remembered", "error", err)
		return nil
	}
	s.mark = openMark(f, s.mark.aliasID)
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
	if s.db.refused != nil {
		_ = s.attach(ctx) // where it fails, the flush says what is lost
	}
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

// Wait returns once there is an entry after the given number, or once the
// newest number is below it: numbers given out while the disk could not be
// read were provisional, and the true ones are known now. It returns the
// context's error, or ErrClosed.
func (s *Store) Wait(ctx context.Context, after uint64) error {
	for {
		s.mu.Lock()
		there, changed := s.newest != after, s.appended
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
