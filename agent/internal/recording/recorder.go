package recording

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"log/slog"
	"os"
	"strings"
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// The queue holds some minutes of a unit at a scan a second. When it is full,
// what comes is not recorded; it is counted, and the count stands in the
// recording where it is missing.
const mostQueued = 512

const (
	flushEvery = 10 * time.Second // while nothing happens
	retryEvery = 30 * time.Second // a disk that did not take the last file
)

// Options say where and how much is recorded.
type Options struct {
	Dir string // made with mode 0700 where it is missing
	// Most bounds all files in Dir together, bytes, where one unit is recorded;
	// each further unit may pass it by a twentieth. The oldest files go first,
	// whole.
	Most int64
	Log  *slog.Logger // nil: nothing is logged

	file int64 // bytes of one file; 0: as Most asks for
}

// Recorder writes the recordings of all units of a process.
type Recorder struct {
	opts  Options
	log   *slog.Logger
	queue chan entry
	shelf *shelf
	tapes []*Tape
}

// entry is one thing on its way to a file.
type entry struct {
	tape     *Tape
	missed   Missed // before it
	commands []rules.Command
	scan     *signal.Scan
	state    []byte // before them, where a new file may begin
	given    []rules.Entry
	flush    bool
	end      bool
}

// New makes the directory and looks at what stands in it. It starts nothing.
func New(o Options) (*Recorder, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.file == 0 {
		o.file = min(max(o.Most/20, 64<<10), 32<<20)
	}
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("recording: %w", err)
	}
	shelf, err := openShelf(o.Dir, o.Most-o.file)
	if err != nil {
		return nil, fmt.Errorf("recording: %w", err)
	}
	return &Recorder{opts: o, log: o.Log, shelf: shelf, queue: make(chan entry, mostQueued)}, nil
}

// Tape is what one watch over a unit records on. h says all but Format, Run
// and Part; state and beat are what its rules begin with. Call it before Run.
func (r *Recorder) Tape(h Header, state, beat []byte) *Tape {
	var id [8]byte
	rand.Read(id[:]) // never fails, by its documentation
	h.Format, h.Run = formatVersion, hex.EncodeToString(id[:])
	t := &Tape{recorder: r, header: h, state: state, beat: beat}
	r.tapes = append(r.tapes, t)
	return t
}

// Run writes until ctx ends, then what is still queued, and completes the
// files. It returns nil: a disk that does not take a recording is logged and
// tried again, and what it did not take is a gap.
func (r *Recorder) Run(ctx context.Context) error {
	tick := time.NewTicker(flushEvery)
	defer tick.Stop()
	for {
		select {
		case e := <-r.queue:
			r.take(&e)
		case <-tick.C:
			r.care()
		case <-ctx.Done():
			r.finish()
			return nil
		}
	}
}

// finish empties the queue, into which nobody writes any more.
func (r *Recorder) finish() {
	for {
		select {
		case e := <-r.queue:
			r.take(&e)
		default:
			for _, t := range r.tapes {
				if t.out != nil {
					t.failed(t.out.close())
					t.out = nil
				}
			}
			return
		}
	}
}

// care flushes what waits, and lets a tape that failed try again.
func (r *Recorder) care() {
	for _, t := range r.tapes {
		switch {
		case t.out != nil:
			t.failed(t.out.flush())
		case t.broken && time.Now().After(t.retry):
			t.turn.Store(true)
		}
	}
}

// take writes one entry, in a new file where one is due.
func (r *Recorder) take(e *entry) {
	t := e.tape
	t.lost.add(e.missed)
	if t.out == nil && !t.begun || e.state != nil && t.turn.Load() {
		t.failed(r.turn(t, e.state))
	}
	if t.out == nil {
		t.lost.add(e.size())
		return
	}
	if t.failed(t.write(e)) {
		t.lost.add(e.size())
		return
	}
	if t.out.bytes >= r.opts.file {
		t.turn.Store(true)
	}
}

func (e *entry) size() Missed {
	m := Missed{Commands: len(e.commands), Numbers: len(e.given)}
	if e.scan != nil {
		m.Scans = 1
	}
	return m
}

// turn ends the file under way and begins the next.
func (r *Recorder) turn(t *Tape, state []byte) error {
	if t.out != nil {
		err := t.out.close()
		t.out = nil
		if err != nil {
			return err
		}
	}
	beat := t.beat
	if t.begun {
		beat = nil // the state is newer
	} else {
		state = t.state
	}
	path, err := r.shelf.next(t.header.Unit)
	if err != nil {
		return err
	}
	h := t.header
	h.Part = t.parts + 1
	if t.out, err = create(path, &h, state, beat); err != nil {
		return err
	}
	t.parts++
	t.begun, t.state, t.beat = true, nil, nil
	t.turn.Store(false)
	return nil
}

// write puts an entry into the tape's file.
func (t *Tape) write(e *entry) error {
	var errs []error
	if t.lost != (Missed{}) {
		errs = append(errs, t.out.putJSON(recordMissed, t.lost))
		t.lost = Missed{}
	}
	for i := range e.commands {
		errs = append(errs, t.out.putJSON(recordCommand, &e.commands[i]))
	}
	if e.scan != nil {
		errs = append(errs, t.out.putScan(e.scan))
	}
	if len(e.given) > 0 {
		errs = append(errs, t.numbers(e.given))
	}
	if e.end {
		errs = append(errs, t.out.put(recordEnd, nil))
	}
	if e.flush {
		errs = append(errs, t.out.flush())
	}
	return errors.Join(errs...)
}

// numbers writes the numbers of entries that came of one record, and so follow
// one another.
func (t *Tape) numbers(entries []rules.Entry) error {
	first := &entries[0]
	g := Given{First: first.Seq, Count: len(entries), Durable: first.Durable,
		Prefix: strings.TrimSuffix(first.ID, fmt.Sprintf("-%d", first.Seq))}
	for i := range entries {
		text, err := json.Marshal(&entries[i].Event)
		if err != nil {
			return err
		}
		g.Sum = crc32.Update(g.Sum, castagnoli, text)
	}
	return t.out.putJSON(recordGiven, &g)
}

// failed takes an error of the tape's file in and reports whether there was
// one. The file is then given up; its end may be torn.
func (t *Tape) failed(err error) bool {
	log := t.recorder.log
	switch {
	case err == nil && t.broken && t.out != nil:
		t.broken = false
		log.Info("recording goes on", "unit", t.header.Unit, "file", t.out.path)
	case err != nil && !t.broken:
		log.Error("recording stopped: the disk does not take it; it is tried again", "unit", t.header.Unit, "dir", t.recorder.opts.Dir, "err", err)
	}
	if err == nil {
		return false
	}
	if t.out != nil {
		t.out.file.Close()
		t.out = nil
	}
	t.begun, t.broken, t.retry = true, true, time.Now().Add(retryEvery)
	return true
}
