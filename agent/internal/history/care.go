package history

import (
	"context"
	"time"
)

const (
	retryEvery  = 10 * time.Second
	cursorEvery = time.Minute
	pruneEvery  = 24 * time.Hour
	firstPrune  = time.Minute // after the start, when the rest of the agent stands
	coarseEvery = 6 * time.Hour
)

// Run cares for the store until ctx ends: it writes what the disk did not
// take, takes the ballast back, saves moved cursors, makes trends coarser as
// they age, and removes what is too
// old or too much. It returns nil when ctx ends. Without it records are still
// durable; only this care is missing.
func (s *Store) Run(ctx context.Context) error {
	retry, cursor := time.NewTicker(retryEvery), time.NewTicker(cursorEvery)
	prune, coarse := time.NewTimer(firstPrune), time.NewTicker(coarseEvery)
	defer coarse.Stop()
	defer retry.Stop()
	defer cursor.Stop()
	defer prune.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-retry.C:
			s.recover(ctx)
		case <-cursor.C:
			s.saveCursors(ctx)
		case <-coarse.C:
			if err := s.coarsen(ctx); err != nil {
				s.log.Warn("trends cannot be kept coarser", "error", err)
			}
		case <-prune.C:
			if err := s.thin(ctx); err != nil {
				s.log.Warn("trends cannot be kept coarser", "error", err)
			}
			if err := s.prune(ctx); err != nil {
				s.log.Warn("old records cannot be removed", "error", err)
			}
			prune.Reset(pruneEvery)
		}
	}
}

// recover tries again what the disk did not take, and takes the ballast back.
func (s *Store) recover(ctx context.Context) {
	s.write.Lock()
	defer s.write.Unlock()
	if s.closed.Load() {
		return
	}
	if s.db.refused != nil && s.attach(ctx) != nil {
		return
	}
	if len(s.pending.batches) > 0 && s.flush(ctx, nil) != nil {
		return
	}
	if s.failing() {
		s.probe(ctx)
	}
	if !s.ballast.missing() {
		return
	}
	defer s.noteRoom()
	if err := s.ballast.restore(s.opts.Dir); err != nil || s.ballast.missing() {
		s.keepFreePages(ctx)
		return
	}
	s.db.keepLogLong(ctx)
	s.log.Info("the disk's reserve for alarm events is held again", "bytes", s.ballast.size)
}

// saveCursors writes the cursors that moved, if any did.
func (s *Store) saveCursors(ctx context.Context) {
	s.write.Lock()
	defer s.write.Unlock()
	s.mu.Lock()
	n := len(s.unsaved)
	s.mu.Unlock()
	if n > 0 && !s.closed.Load() {
		_ = s.flush(ctx, nil) // flush logs and counts; the cursors stay in memory
	}
}

// probe asks a disk whose last write failed, although nothing waits for it,
// with one small write. The caller holds s.write.
func (s *Store) probe(ctx context.Context) {
	s.outcome(s.db.update(ctx, func() error {
		_, err := s.db.exec(ctx, `INSERT INTO meta (key, value) VALUES ('probed', ?)
			ON CONFLICT (key) DO UPDATE SET value = excluded.value`, s.opts.Now().UTC().Format(time.RFC3339Nano))
		return err
	}))
}
