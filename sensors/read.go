package sensors

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"time"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

// Sample is one point read once, raw beside engineering value, to be compared
// with what the panel shows.
type Sample struct {
	Point   Point
	Place   string         // table and address, as the site's lists count
	Words   string         // the registers in hexadecimal, a bit as 0 or 1; empty without an answer
	Raw     string         // the number in them, before scaling; empty without an answer
	Reading signal.Reading // SI, with its quality
	Err     error          // why there was no answer; nil if there was one
}

// dialLimit is a little more than the client's own dial timeout.
const dialLimit = 6 * time.Second

// Read reads every point of one link once, each by a request of its own, in
// their order. What fails stands in the sample. The error is non-nil where the
// question itself is impossible, the link cannot be opened (the samples then
// say LinkLost), or ctx ended (the samples so far).
func Read(ctx context.Context, link Link, points []Point, clock Clock) ([]Sample, error) {
	p, err := New([]Link{link}, clock, slog.New(slog.DiscardHandler))
	if err != nil {
		return nil, err
	}
	if err := p.checkPoints(points); err != nil {
		return nil, fmt.Errorf("link %s: %w", link.Name, err)
	}
	c := connection{link: link, open: open, log: p.log}
	defer c.drop()
	var lost error
	var owes debts
	samples := make([]Sample, 0, len(points))
	for _, point := range points {
		if lost == nil {
			fresh := c.client == nil
			if lost = c.connect(ctx, dialLimit); lost == nil && link.Via != TCP {
				owes.wait(ctx, fresh, link, point.Device)
			}
		}
		if err := ctx.Err(); err != nil {
			return samples, err
		}
		if lost != nil {
			samples = append(samples, link.unread(point, signal.LinkLost, lost, clock))
			continue
		}
		s := sample(&c, point, clock)
		if link.Via != TCP && (errors.Is(s.Err, errNoAnswer) || errors.Is(s.Err, errGarbled) || errors.Is(s.Err, errChecksum)) {
			owes.add(link, point.Device)
		}
		samples = append(samples, s)
	}
	return samples, lost
}

// debts are, by device of a line, until when a late answer may still come.
type debts struct {
	all time.Time // of whoever had the line before
	of  map[uint8]time.Time
}

func (d *debts) add(l Link, device uint8) {
	if d.of == nil {
		d.of = make(map[uint8]time.Time)
	}
	d.of[device] = time.Now().Add(l.longestAnswer())
}

// wait waits until the device owes nothing; fresh says that the line has just
// been opened.
func (d *debts) wait(ctx context.Context, fresh bool, l Link, device uint8) {
	if fresh {
		d.all = time.Now().Add(l.longestAnswer())
	}
	waitUntil(ctx, d.all)
	waitUntil(ctx, d.of[device])
}

func (l Link) unread(p Point, why signal.Reason, err error, clock Clock) Sample {
	wall, _, _ := clock.Now()
	return Sample{Point: p, Place: l.place(requestFor(0, p)), Err: err,
		Reading: signal.Missing(p.Spec.Unit, why, wall.UTC())}
}

// sample reads one point on an open connection.
func sample(c *connection, p Point, clock Clock) Sample {
	r := requestFor(0, p)
	words, err := c.client.ask(r)
	switch faultOf(err) {
	case noFault:
	case refused, notHere:
		return c.link.unread(p, signal.Exception, c.link.failure(r, err), clock)
	case unreachable:
		return c.link.unread(p, signal.NoAnswer, c.link.failure(r, err), clock)
	default:
		if c.link.Via == TCP || faultOf(err) == broken {
			c.drop()
		}
		return c.link.unread(p, signal.NoAnswer, c.link.failure(r, err), clock)
	}
	wall, _, trusted := clock.Now()
	raw := register.Decode(p.Spec, words)
	reading := p.Spec.Reading(raw, wall.UTC())
	if !trusted {
		reading = reading.Degrade(signal.Uncertain, signal.ClockUntrusted)
	}
	return Sample{Point: p, Place: c.link.place(r), Reading: reading,
		Words: inHex(p.Spec.Table, words), Raw: strconv.FormatFloat(raw, 'g', -1, 64)}
}

func inHex(t register.Table, words []uint16) string {
	if t == register.Coils || t == register.DiscreteInputs {
		return strconv.Itoa(int(words[0]))
	}
	parts := make([]string, len(words))
	for i, w := range words {
		parts[i] = fmt.Sprintf("0x%04X", w)
	}
	return strings.Join(parts, " ")
}
