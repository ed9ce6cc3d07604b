package history

import (
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"
)

// Beat overwrites the unit's heartbeat and returns when it is synced: one
// write of 2 kB in place, no allocation on the disk, so it works on a full
// one. The payload is opaque and at most MaxBeat bytes. Safe for concurrent
// use.
func (s *Store) Beat(unit string, payload []byte) error {
	s.beats.Lock()
	defer s.beats.Unlock()
	h, err := s.heart(unit)
	if err != nil {
		return fmt.Errorf("heartbeat of %s: %w", unit, err)
	}
	if err := h.write(s.opts.Now(), payload); err != nil {
		return fmt.Errorf("heartbeat of %s: %w", unit, err)
	}
	return nil
}

// MaxBeat is the longest heartbeat payload, bytes.
const MaxBeat = slotPayload

// LastBeat is the newest heartbeat that reached the disk whole, and the wall
// time at which it was written. Without one it returns a nil payload, a zero
// time and no error. Safe for concurrent use.
func (s *Store) LastBeat(unit string) (payload []byte, at time.Time, err error) {
	s.beats.Lock()
	defer s.beats.Unlock()
	if _, err := os.Stat(s.beatPath(unit)); errors.Is(err, fs.ErrNotExist) {
		return nil, time.Time{}, nil
	}
	v, err := readSlots(s.beatPath(unit))
	if errors.Is(err, errNoSlot) {
		return nil, time.Time{}, nil
	}
	if err != nil {
		return nil, time.Time{}, fmt.Errorf("heartbeat of %s: %w", unit, err)
	}
	return v.payload, v.at, nil
}

func (s *Store) beatPath(unit string) string {
	return filepath.Join(s.opts.Dir, "beat-"+url.PathEscape(unit)+".bin")
}

// heart is the unit's open slot file; the caller holds s.beats.
func (s *Store) heart(unit string) (*slots, error) {
	if h, ok := s.hearts[unit]; ok {
		return h, nil
	}
	if s.closed.Load() {
		return nil, ErrClosed
	}
	f, err := s.opts.openFile(s.beatPath(unit), slotFileSize)
	if err != nil {
		return nil, err
	}
	h := newSlots(f)
	s.hearts[unit] = h
	return h, nil
}

func (s *Store) closeHearts() error {
	s.beats.Lock()
	defer s.beats.Unlock()
	var errs []error
	for unit, h := range s.hearts {
		errs = append(errs, h.f.Close())
		delete(s.hearts, unit)
	}
	return errors.Join(errs...)
}
