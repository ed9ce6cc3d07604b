package sensors

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"sync"
	"time"

	"strokebank/sensors/signal"
)

// Poller polls links and hands the readings to the units that use them. Build
// it with New and Source from one goroutine, then call Run once; Stats may be
// called at any time from anywhere.
type Poller struct {
	clock   Clock
	log     *slog.Logger
	links   []*polled
	sources []*Source
	started bool
}

// polled is one link with everything that any unit reads on it.
type polled struct {
	link   Link
	points []Point
	board  *board
}

// New is a poller over links. It starts nothing. The error says, for all links
// at once, which is impossible: a name twice, an address without a port, a
// timeout that is not shorter than the scan period (a dead link could not be
// noticed within two scans), a negative gap.
func New(links []Link, clock Clock, log *slog.Logger) (*Poller, error) {
	p := &Poller{clock: clock, log: log}
	var problems []error
	for _, l := range links {
		if err := l.check(); err != nil {
			problems = append(problems, fmt.Errorf("link %q: %w", l.Name, err))
		}
		if p.find(l.Name) != nil {
			problems = append(problems, fmt.Errorf("link %q: the name is taken", l.Name))
		}
		b := &board{stats: LinkStats{Link: l.Name, Address: l.Address}}
		b.link.reading = signal.Missing(signal.Boolean, signal.NeverRead, time.Time{})
		p.links = append(p.links, &polled{link: l, board: b})
	}
	if err := errors.Join(problems...); err != nil {
		return nil, err
	}
	return p, nil
}

func (l Link) check() error {
	var problems []error
	if l.Via == Serial {
		if l.Address == "" {
			problems = append(problems, errors.New("a serial port needs a path"))
		}
	} else if _, _, err := net.SplitHostPort(l.Address); err != nil {
		problems = append(problems, fmt.Errorf("address: %w", err))
	}
	if l.Via != TCP {
		problems = append(problems, l.Line.check())
	}
	if l.Name == "" {
		problems = append(problems, errors.New("a link needs a name"))
	}
	if l.Timeout <= 0 || l.Timeout >= l.Period {
		problems = append(problems, fmt.Errorf("the timeout %v must be longer than 0 and shorter than the scan period %v", l.Timeout, l.Period))
	}
	if l.Gap < 0 {
		problems = append(problems, fmt.Errorf("the gap %d is negative", l.Gap))
	}
	return errors.Join(problems...)
}

func (l Line) check() error {
	switch {
	case l.Baud < 50:
		return fmt.Errorf("%d baud is no speed of a line", l.Baud)
	case l.StopBits != 1 && l.StopBits != 2:
		return fmt.Errorf("%d stop bits, not 1 or 2", l.StopBits)
	case l.WorstLatency < 0:
		return fmt.Errorf("the worst latency %v is negative", l.WorstLatency)
	}
	return nil
}

func (p *Poller) find(link string) *polled {
	i := slices.IndexFunc(p.links, func(q *polled) bool { return q.link.Name == link })
	if i < 0 {
		return nil
	}
	return p.links[i]
}

// Source adds a unit with its points, before Run. Units may share links,
// devices and registers. A unit whose links have different periods is scanned
// at the longest. The error says, for all points at once, which is impossible.
func (p *Poller) Source(unit string, points []Point) (*Source, error) {
	if p.started {
		return nil, fmt.Errorf("unit %s: added after polling had started", unit)
	}
	if err := p.checkPoints(points); err != nil {
		return nil, fmt.Errorf("unit %s: %w", unit, err)
	}
	s := &Source{unit: unit, clock: p.clock, stats: UnitStats{Unit: unit},
		wake: make(chan struct{}, 1), box: make(chan signal.Scan, 1), stopped: make(chan struct{})}
	var links []signal.Point
	for _, point := range points {
		q := p.find(point.Link)
		s.points = append(s.points, signal.Point{ID: point.ID, Unit: point.Spec.Unit, Link: point.Link})
		s.places = append(s.places, place{q.board, len(q.points)})
		q.points = append(q.points, point)
		q.board.cells = append(q.board.cells, cell{reading: signal.Missing(point.Spec.Unit, signal.NeverRead, time.Time{})})
		if !slices.Contains(s.boards, q.board) {
			s.boards = append(s.boards, q.board)
			q.board.watchers = append(q.board.watchers, s.wake)
			s.period = max(s.period, q.link.Period)
			links = append(links, signal.Point{ID: signal.OfLink(point.Link), Unit: signal.Boolean})
		}
	}
	s.points = append(s.points, links...)
	p.sources = append(p.sources, s)
	return s, nil
}

func (p *Poller) checkPoints(points []Point) error {
	if len(points) == 0 {
		return errors.New("no points")
	}
	var problems []error
	seen := make(map[signal.ID]bool)
	for _, point := range points {
		if err := point.Spec.Check(); err != nil {
			problems = append(problems, fmt.Errorf("point %s: %w", point.ID, err))
		}
		if p.find(point.Link) == nil {
			problems = append(problems, fmt.Errorf("point %s: there is no link %q", point.ID, point.Link))
		}
		if seen[point.ID] {
			problems = append(problems, fmt.Errorf("point %s: the name is taken", point.ID))
		}
		seen[point.ID] = true
	}
	return errors.Join(problems...)
}

// Run polls until ctx ends: one goroutine for each link that is used and one
// for each unit, all of which it waits for. It returns ctx's error, within one
// answer's timeout of its end. All ticks count from the start of Run, so links
// of one period are read at the same moments, without drift. A second call is an
// error.
func (p *Poller) Run(ctx context.Context) error {
	if p.started {
		return errors.New("polling has already been started")
	}
	p.started = true
	epoch := time.Now()
	var parts sync.WaitGroup
	for _, q := range p.links {
		if len(q.points) > 0 {
			o := newOwner(q.link, q.points, q.board, p.clock, p.log)
			parts.Go(func() { o.run(ctx, epoch) })
		}
	}
	for _, s := range p.sources {
		parts.Go(func() { s.run(ctx, epoch) })
	}
	parts.Wait()
	<-ctx.Done()
	return ctx.Err()
}

// Stats is a snapshot of what has been done since the process started.
func (p *Poller) Stats() Stats {
	var all Stats
	for _, q := range p.links {
		q.board.count(func(s *LinkStats) { all.Links = append(all.Links, *s) })
	}
	for _, s := range p.sources {
		s.mu.Lock()
		all.Units = append(all.Units, s.stats)
		s.mu.Unlock()
	}
	return all
}
