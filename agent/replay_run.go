package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"golang.org/x/sync/errgroup"

	"strokebank/agent/internal/recording"
)

// Reading goes on beside judging, in batches that are used again: mostBatches
// of them. Where judging is the slower, reading waits for one to come free.
const (
	batchSize   = 128
	mostBatches = 4
)

// progressEvery is how often the progress is told.
const progressEvery = 500 * time.Millisecond

// replayed is one replay under way.
type replayed struct {
	in       feed
	lanes    []*lane
	out      *journalOut // nil: numbers have no meaning
	note     func(format string, args ...any)
	progress io.Writer // nil: not told
	settings string

	watches int
	gaps    recording.Missed
	took    time.Duration
	told    time.Time
	warned  bool
}

// run judges everything that the feed gives.
func (p *replayed) run(ctx context.Context) error {
	began := time.Now()
	free, full := make(chan []fed, mostBatches), make(chan []fed, mostBatches)
	for range mostBatches {
		free <- make([]fed, batchSize)
	}
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer close(full)
		return fillBatches(ctx, p.in, free, full)
	})
	g.Go(func() error {
		for batch := range full {
			for i := range batch {
				if err := p.take(&batch[i]); err != nil {
					return err
				}
			}
			p.tellProgress()
			free <- batch[:batchSize] // of its capacity, so never full
		}
		return ctx.Err()
	})
	err := g.Wait()
	if p.progress != nil && !p.told.IsZero() {
		fmt.Fprintln(p.progress)
	}
	p.took = time.Since(began)
	return err
}

// fillBatches reads until the end of the feed. What was read before an error
// is judged all the same.
func fillBatches(ctx context.Context, in feed, free <-chan []fed, full chan<- []fed) error {
	for {
		var batch []fed
		select {
		case batch = <-free:
		case <-ctx.Done():
			return ctx.Err()
		}
		n, err := 0, error(nil)
		for n < len(batch) {
			if err = in.next(&batch[n]); err != nil {
				break
			}
			n++
		}
		select {
		case full <- batch[:n]:
		case <-ctx.Done():
			return ctx.Err()
		}
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// take judges one item in every lane.
func (p *replayed) take(f *fed) error {
	if f.begin != nil {
		if err := p.began(f.begin); err != nil {
			return err
		}
	}
	switch {
	case f.Kind == recording.Gap:
		p.gaps.Scans += f.Missed.Scans
		p.gaps.Commands += f.Missed.Commands
		p.gaps.Numbers += f.Missed.Numbers
		p.note("gap: %d scans, %d commands and %d numbers are not in the recording; what follows may differ from what was", f.Missed.Scans, f.Missed.Commands, f.Missed.Numbers)
	case f.Kind == recording.Numbers && p.out != nil:
		return p.out.give(&f.Given)
	}
	var errs []error
	for _, l := range p.lanes {
		errs = append(errs, l.take(f))
	}
	return errors.Join(errs...)
}

// began notes a new watch; the one before gets no more numbers.
func (p *replayed) began(b *beginning) error {
	p.watches++
	if b.settings != "" && b.settings != p.settings && !p.warned {
		p.warned = true
		p.note("note: the agent had other settings than this configuration; events may differ from what was")
	}
	if p.out != nil {
		return p.out.end()
	}
	return nil
}

func (p *replayed) tellProgress() {
	if p.progress == nil || time.Since(p.told) < progressEvery || p.lanes[0].scans == 0 {
		return
	}
	p.told = time.Now()
	l := p.lanes[0]
	part := ""
	if done := p.in.done(); done >= 0 {
		part = fmt.Sprintf("%3.0f %%, ", 100*done)
	}
	fmt.Fprintf(p.progress, "\r%s%s, %d scans ", part, l.to.UTC().Format(time.RFC3339), l.scans)
}

// tell writes the summary.
func (p *replayed) tell(w io.Writer) {
	l := p.lanes[0]
	fmt.Fprintf(w, "%d scans from %s to %s in %d watches, judged in %s (every %s)\n", l.scans,
		l.from.UTC().Format(time.RFC3339), l.to.UTC().Format(time.RFC3339), p.watches, p.took.Round(time.Millisecond), l.cfg.ScanPeriod)
	if len(p.lanes) > 1 {
		return // the comparison says the rest
	}
	for _, f := range l.figures() {
		fmt.Fprintf(w, "  %-24s %s\n", f.name, f.text)
	}
}
