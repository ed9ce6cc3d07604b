package main

import (
	"context"
	"errors"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"strokebank/sensors/signal"
)

// notifier tells the service manager how the process is, after sd_notify(3).
// The zero value tells nobody.
type notifier struct {
	socket   string        // of the manager; empty where there is none
	watchdog time.Duration // the manager restarts after so long without word; 0: never
}

func newNotifier(getenv func(string) string) notifier {
	n := notifier{socket: getenv("NOTIFY_SOCKET")}
	pid := getenv("WATCHDOG_PID")
	if us, err := strconv.ParseInt(getenv("WATCHDOG_USEC"), 10, 64); err == nil && (pid == "" || pid == strconv.Itoa(os.Getpid())) {
		n.watchdog = time.Duration(us) * time.Microsecond
	}
	return n
}

// say sends assignments such as READY=1 in one message. A manager that does
// not hear is no reason to stop watching, so the error is only for the log.
func (n notifier) say(lines ...string) error {
	if n.socket == "" {
		return nil
	}
	name := n.socket
	if strings.HasPrefix(name, "@") {
		name = "\x00" + name[1:]
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		return err
	}
	_, err = conn.Write([]byte(strings.Join(lines, "\n")))
	return errors.Join(err, conn.Close())
}

// heart knows whether the scheduler of every unit still goes round. A unit
// whose devices are dead goes round all the same, with bad readings; so does
// one whose broker is away. Safe for concurrent use.
type heart struct {
	mu    sync.Mutex
	beats map[string]time.Time // by unit; of now, where nothing runs yet
	limit time.Duration        // a unit that has not gone round for so long is stuck
}

// restart forgets all units. Those to come have scan as their period; 15 s is
// far more than a step takes on a busy machine, and far less than a watchdog's
// patience.
func (h *heart) restart(units []string, scan time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.limit = max(15*time.Second, 5*scan)
	h.beats = make(map[string]time.Time)
	for _, unit := range units {
		h.beats[unit] = time.Now()
	}
}

func (h *heart) beat(unit string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.beats[unit] = time.Now()
}

// stuck are the units that do not go round.
func (h *heart) stuck(now time.Time) (units []string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for unit, last := range h.beats {
		if now.Sub(last) > h.limit {
			units = append(units, unit)
		}
	}
	slices.Sort(units)
	return units
}

// scans gives the scans of one unit.
type scans interface {
	Next(context.Context) (signal.Scan, error)
}

// beating is scans whose consumer comes back for the next one: that, and not
// what is in them, is the sign of life.
type beating struct {
	scans
	heart *heart
	unit  string
}

func (b beating) Next(ctx context.Context) (signal.Scan, error) {
	b.heart.beat(b.unit)
	return b.scans.Next(ctx)
}

// feed calls say at every tick until ctx ends, as long as no unit is stuck. It
// reports units that are, once.
func (h *heart) feed(ctx context.Context, every time.Duration, say func(), report func(units []string)) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	reported := false
	for {
		if units := h.stuck(time.Now()); units == nil {
			say()
			reported = false
		} else if !reported {
			reported = true
			report(units)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}
