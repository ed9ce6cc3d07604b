package main

import (
	"context"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// setClock is a wall clock that a test sets, and that nothing keeps right.
type setClock struct{ offset atomic.Int64 }

func (c *setClock) wall() time.Time      { return time.Now().Add(time.Duration(c.offset.Load())) }
func (c *setClock) set(wall time.Time)   { c.offset.Store(int64(time.Until(wall))) }
func (c *setClock) step(d time.Duration) { c.offset.Add(int64(d)) }
func (c *setClock) sources() watch.ClockSources {
	return watch.ClockSources{Wall: c.wall, Synced: func() bool { return false }}
}

// inside is the agent in this process, on a real Modbus server and without a
// broker.
type inside struct {
	tb      testing.TB
	image   *image
	cfg     *configs.Config
	station *station
	stop    func()
}

// chainConfig is the configuration of the whole-chain test without its
// broker, with the ports and the store of this test.
func chainConfig(tb testing.TB) (*image, *configs.Config) {
	tb.Helper()
	im, modbus := peer(tb, "chain-image.json")
	path := configuration(tb, "chain.yaml", map[string]string{
		"PORT_MODBUS": strconv.Itoa(modbus), "PORT_MQTT": "1", "PORT_HTTP": strconv.Itoa(freePort(tb)),
		"STORE": filepath.Join(tb.TempDir(), "history"),
	})
	file, err := os.Open(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer file.Close()
	cfg, err := configs.Parse(file)
	if err != nil {
		tb.Fatal(err)
	}
	cfg.Broker = nil
	return im, cfg
}

// promptly takes the delays of alarms away.
func promptly(cfg *configs.Config, names ...string) {
	for _, name := range names {
		at := new(time.Duration)
		cfg.Units[0].Rules.Alarms[name] = alarm.Setting{OnDelay: at, OffDelay: at}
	}
}

// begin runs the agent until stop, or until the test ends.
func (in *inside) begin(clock watch.ClockSources) {
	in.tb.Helper()
	s, err := assembleWith(context.Background(), in.cfg, slog.New(slog.DiscardHandler), outfit{clock: clock})
	if err != nil {
		in.tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if err := s.Run(ctx); err != nil {
			in.tb.Error(err)
		}
		if err := s.Close(); err != nil {
			in.tb.Error(err)
		}
	}()
	in.station = s
	in.stop = func() {
		cancel()
		<-ended
	}
	in.tb.Cleanup(in.stop)
}

// shows waits for an assessment that fits.
func (in *inside) shows(what string, fits func(*rules.Assessment) bool) {
	in.tb.Helper()
	eventually(in.tb, what, func() bool {
		latest := in.station.board.Latest()
		return len(latest) > 0 && fits(latest[0])
	})
}

// alarmed waits until an alarm of the agent stands in a state.
func (in *inside) alarmed(name string, state alarm.State) {
	in.tb.Helper()
	in.shows(name+" is "+string(state), func(a *rules.Assessment) bool {
		for _, s := range a.Alarms {
			if s.Name == name && s.Source == "agent" {
				return s.State == state
			}
		}
		return false
	})
}

// recorded waits for an event after a number that fits, and returns it.
func (in *inside) recorded(what string, after uint64, fits func(rules.Entry) bool) (found rules.Entry) {
	in.tb.Helper()
	eventually(in.tb, what, func() bool {
		entries, err := in.station.store.Entries(context.Background(), after, 1000)
		if err != nil {
			in.tb.Fatal(err)
		}
		for _, e := range entries {
			if fits(e) {
				found = e
				return true
			}
		}
		return false
	})
	return found
}

// corrected waits for the event of a clock that was set, and returns by how
// many seconds.
func (in *inside) corrected(after uint64) float64 {
	in.tb.Helper()
	e := in.recorded("the correction is an event", after, func(e rules.Entry) bool {
		return e.Kind == rules.ClockEvent && e.Name == "corrected"
	})
	return float64(e.Values[0].Value)
}

// A gateway boots in 1970 and is set right later; then its clock is stepped by
// days, forwards and back; then it boots in 1970 again. A pump runs meanwhile.
func TestClockThatIsWrongAndSet(t *testing.T) {
	in := &inside{tb: t}
	in.image, in.cfg = chainConfig(t)
	promptly(in.cfg, alarm.ClockUntrusted)
	clock := new(setClock)
	clock.set(time.Unix(100, 0))
	in.begin(clock.sources())
	in.shows("readings are marked", func(a *rules.Assessment) bool {
		r := a.Readings[0].Reading
		return !a.ClockTrusted && r.Quality == signal.Uncertain && r.Reason == signal.ClockUntrusted && a.Reserve.Known
	})
	in.alarmed(alarm.ClockUntrusted, alarm.Unacknowledged)

	set := time.Now()
	in.image.set("discrete_inputs", 0, 1)
	started := in.recorded("pump1 started", 0, func(e rules.Entry) bool {
		return e.Source == "pump1" && (e.Name == machine.Started || e.Name == machine.FoundRunning)
	})
	seen := time.Now()
	if started.ClockTrusted || started.Time.Year() != 1970 {
		t.Errorf("started at %v, trusted %v", started.Time, started.ClockTrusted)
	}
	mark := in.station.store.Newest()
	clock.offset.Store(0)
	if shift := in.corrected(mark); shift < 50*365*86400 {
		t.Errorf("corrected by %v s, from 1970", shift)
	}
	in.recorded("the clock is trusted", mark, func(e rules.Entry) bool { return e.Kind == rules.ClockEvent && e.Name == "trusted" })
	in.alarmed(alarm.ClockUntrusted, alarm.Normal)
	in.shows("readings are good again", func(a *rules.Assessment) bool { return a.Readings[0].Reading.Quality == signal.Good })

	for _, days := range []float64{1, -1, -1, 1} {
		mark = in.station.store.Newest()
		clock.step(time.Duration(days * 24 * float64(time.Hour)))
		if shift := in.corrected(mark); math.Abs(shift-days*86400) > 2 {
			t.Errorf("stepped by %v days, reported as %v s", days, shift)
		}
	}
	least := time.Since(seen)
	in.image.set("discrete_inputs", 0, 0)
	in.recorded("pump1 stopped", mark, func(e rules.Entry) bool { return e.Source == "pump1" && e.Name == machine.Ended })
	most := time.Since(set)
	in.lasted(least.Seconds(), most.Seconds())
	for _, s := range in.station.board.Latest()[0].Alarms {
		if s.State.Active() && s.Name != alarm.ReserveUnknown {
			t.Errorf("%s of %s is %s: the steps of the clock raised it", s.Name, s.Source, s.State)
		}
	}
	in.stop()

	clock.set(time.Unix(100, 0))
	in.begin(clock.sources())
	gap := in.recorded("the gap is an event", mark, func(e rules.Entry) bool { return e.Kind == rules.GapEvent })
	if gap.Reason == "" || gap.Values[0].Value.Known() {
		t.Errorf("%+v: nobody can know how long the gap was", gap.Event)
	}
	in.alarmed(alarm.ClockUntrusted, alarm.Unacknowledged)
	if err := in.station.store.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}

// lasted holds the run of pump1 against the time that passed in this test.
func (in *inside) lasted(least, most float64) {
	in.tb.Helper()
	in.shows("the run has ended", func(a *rules.Assessment) bool { return a.Machines[0].State == machine.Stopped })
	m := in.station.board.Latest()[0].Machines[0]
	// Scans that a busy machine leaves out count as not observed.
	if ran := m.ProcessRunSeconds + m.ProcessUnobservedSeconds; m.ProcessRunSeconds > most || ran < least-1 {
		in.tb.Errorf("ran %v s and %v s unobserved, in truth between %v and %v s",
			m.ProcessRunSeconds, m.ProcessUnobservedSeconds, least, most)
	}
}
