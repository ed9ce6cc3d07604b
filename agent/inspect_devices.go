package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"strokebank/sensors"
	"strokebank/sensors/signal"
)

// devicePoint is one point of a device as it was read.
type devicePoint struct {
	id      string
	quality signal.Quality
	reason  signal.Reason
	more    string // where it stands and what it held, or why nothing came
}

// devices looks at every device. What the running agent has read is asked of
// it: a second reader would disturb a serial line, and many a device takes one
// connection alone. Only where no agent runs are the devices read here, each
// point once.
func (in *inspection) devices(ctx context.Context, r *runningAgent) {
	for _, link := range in.cfg.Links {
		switch {
		case r.answers && len(r.units) == 0:
			in.add(notSeen, "link "+link.Name, "The devices are not looked at, because the running agent has them and does not tell what it reads.",
				"See to what is said of the agent, then inspect again.")
			continue
		case r.alive && link.Via != sensors.TCP:
			in.add(notSeen, "link "+link.Name, "The serial line is not looked at, because an agent seems to own it whose page does not answer.",
				"See to what is said of the agent, then inspect again.")
			continue
		}
		points := map[uint8][]devicePoint{}
		for _, u := range in.cfg.Units {
			if r.answers {
				asTold(points, link, u.Points, r.units[u.Rules.Unit])
			} else if err := in.asRead(ctx, points, link, u.Points); err != nil && len(points) == 0 {
				in.add(attention, "link "+link.Name, fmt.Sprintf("Nothing could be read: %v.", err), "Correct the link in the file.")
			}
		}
		for _, device := range slices.Sorted(keysOf(points)) {
			in.device(link, device, points[device])
		}
	}
}

func keysOf(m map[uint8][]devicePoint) func(func(uint8) bool) {
	return func(yield func(uint8) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// asTold takes the points of a link as the running agent has read them. One
// that it does not have is of a file that it has not read yet.
func asTold(into map[uint8][]devicePoint, link sensors.Link, points []sensors.Point, told map[string]seenPoint) {
	for _, p := range points {
		if p.Link != link.Name {
			continue
		}
		seen, there := told[string(p.ID)]
		d := devicePoint{string(p.ID), seen.Quality, seen.Reason, ""}
		if !there {
			d.more = "the running agent does not have it: it has not read this file yet"
		}
		into[p.Device] = append(into[p.Device], d)
	}
}

// asRead reads the points of a link.
func (in *inspection) asRead(ctx context.Context, into map[uint8][]devicePoint, link sensors.Link, points []sensors.Point) error {
	points = slices.DeleteFunc(slices.Clone(points), func(p sensors.Point) bool { return p.Link != link.Name })
	if len(points) == 0 {
		return nil
	}
	samples, err := sensors.Read(ctx, link, points, in.clockNow)
	for _, s := range samples {
		d := devicePoint{string(s.Point.ID), s.Reading.Quality, s.Reading.Reason, s.Place}
		if s.Raw != "" {
			d.more += ", raw " + s.Raw
		}
		if s.Err != nil {
			d.more += ": " + s.Err.Error()
		}
		into[s.Point.Device] = append(into[s.Point.Device], d)
	}
	return err
}

// device says how one device reads.
func (in *inspection) device(link sensors.Link, number uint8, points []devicePoint) {
	what := fmt.Sprintf("device %s/%d", link.Name, number)
	var bad []devicePoint
	silent := 0
	for _, p := range points {
		if p.quality != signal.Good {
			bad = append(bad, p)
		}
		if p.reason == signal.LinkLost || p.reason == signal.NoAnswer || p.reason == signal.Stale || p.reason == signal.NeverRead {
			silent++
		}
	}
	switch {
	case len(bad) == 0:
		in.well(what, "It answers at %s, and every one of its %s reads well.", link.Address, count(len(points), "point"))
		return
	case silent == len(points):
		f := in.add(attention, what, fmt.Sprintf("It does not answer at %s: %s.", link.Address, points[0].reason), remedy(link, points[0].reason))
		if points[0].more != "" {
			f.Details = []string{points[0].more}
		}
		return
	}
	says := fmt.Sprintf("It answers at %s, but %d of its %s do not read well.", link.Address, len(bad), count(len(points), "point"))
	if len(bad) == 1 {
		says = fmt.Sprintf("It answers at %s, but one of its %s does not read well.", link.Address, count(len(points), "point"))
	}
	f := in.add(attention, what, says, "")
	var remedies []string
	for _, p := range bad {
		line := p.id + ": " + p.quality.String() + ", " + p.reason.String()
		if p.more != "" {
			line += " (" + p.more + ")"
		}
		f.Details = append(f.Details, line)
		if do := remedy(link, p.reason); !slices.Contains(remedies, do) {
			remedies = append(remedies, do)
		}
	}
	f.Do = strings.Join(remedies, " ")
}

// remedy is what to do about a reason.
func remedy(link sensors.Link, r signal.Reason) string {
	switch r {
	case signal.LinkLost:
		if link.Via == sensors.Serial {
			return "See that the port exists, that nothing else has it, and that this user is in its group (dialout)."
		}
		return "See that the device has power and network, that address and port are right, and that no firewall stands between."
	case signal.NoAnswer, signal.Stale, signal.NeverRead:
		if link.Via == sensors.TCP {
			return "See that the device number is right and that the device behind the gateway has power."
		}
		return "See that the device number, baud, parity and stop bits are the device's, that A and B are not exchanged, and that the line is terminated."
	case signal.Exception:
		return "Compare table, address and numbering of the point with the device's list: it says that it has no such place."
	case signal.FailureLow:
		return "Look for a broken wire, a missing supply or a failed transmitter: its current is that of a failure."
	case signal.FailureHigh:
		return "Look for a short circuit or a failed transmitter: its current is that of a failure."
	case signal.BelowRange, signal.AboveRange:
		return "Compare with the gauge on the tank, and the span in the file with the transmitter's."
	case signal.Implausible:
		return "Compare format, order of words and factor of the point with the device's list."
	case signal.Late:
		return "See why the device is slow, or make the scan longer."
	case signal.ClockUntrusted:
		return "See to what is said of the clock."
	}
	return "Read it with strokebank check -devices and compare with the panel."
}
