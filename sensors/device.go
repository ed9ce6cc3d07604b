package sensors

import (
	"slices"
	"time"
)

// ask is one request and how often it was refused lately.
type ask struct {
	Request
	retry backoff // after exceptions that will not change soon
	bad   bool    // the last answer was an exception
}

// device is one unit identifier on a link, as its owner sees it.
type device struct {
	id     uint8
	plan   []Request // the fewest reads
	asks   []ask     // the reads in use: plan, with what was refused cut up
	silent bool      // gave no usable answer when last asked
	retry  backoff   // while silent
	owes   time.Time // on a line: until then an answer may still come that nobody waits for
}

// owing reports whether the device must not be asked: a late answer of it
// could not be told from the one to a new question. Other devices can be
// asked meanwhile, an answer bears the identifier of who gives it.
func (d *device) owing(now time.Time) bool { return now.Before(d.owes) }

// forget makes the device as good as new.
func (d *device) forget() {
	d.silent = false
	d.retry.reset()
	d.relearn()
}

// relearn goes back to the fewest reads, since a device that was away may have
// come back with another register map. What is refused then is found out again
// at the cost of one refused read for each cut.
func (d *device) relearn() {
	d.asks = make([]ask, len(d.plan))
	for i, r := range d.plan {
		d.asks[i] = ask{Request: r}
	}
}

// cut replaces read i by smaller ones; false where it is as small as can be.
func (d *device) cut(i int, points []Point) bool {
	parts := split(points, d.asks[i].Request)
	if parts == nil {
		return false
	}
	asks := make([]ask, len(parts))
	for k, r := range parts {
		asks[k] = ask{Request: r}
	}
	d.asks = slices.Replace(d.asks, i, i+1, asks...)
	return true
}

// points are the indices of everything on the device.
func (d *device) points() []int {
	var all []int
	for _, r := range d.plan {
		all = append(all, r.Points...)
	}
	return all
}

// devicesOf groups the plan of one link by unit identifier; the plan is sorted.
func devicesOf(plan []Request) []*device {
	var devices []*device
	for _, r := range plan {
		if n := len(devices); n == 0 || devices[n-1].id != r.Device {
			devices = append(devices, &device{id: r.Device})
		}
		last := devices[len(devices)-1]
		last.plan = append(last.plan, r)
	}
	for _, d := range devices {
		d.plan = apart(d.plan)
		d.forget()
	}
	return devices
}

// longestOverdue is the silent device that waits longest for its next try, or
// nil where none is due.
func longestOverdue(devices []*device, now time.Time) *device {
	var first *device
	for _, d := range devices {
		if d.silent && d.retry.due(now) && !d.owing(now) && (first == nil || d.retry.next.Before(first.retry.next)) {
			first = d
		}
	}
	return first
}
