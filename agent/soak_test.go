package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/simulator"
	"strokebank/rules"
)

var (
	soakFor   = flag.Duration("soak", 30*time.Second, "how long TestSoak lets faults happen")
	soakUnits = flag.Int("soak-units", 10, "how many units TestSoak has")
	soakSeed  = flag.Uint64("soak-seed", 0, "of what happens in TestSoak; 0: another each time")
)

// TestSoak lets machines, transmitters, lines and the broker's line fail at
// random for a while, all at once. Then everything heals: every unit is known
// again, every event of history has come at the broker in its order, none is
// missing or recorded twice, and as many goroutines run as before. In
// an hour it also holds how memory grows, from the tenth minute on.
func TestSoak(t *testing.T) {
	t.Parallel() // it waits most of the time
	seed := *soakSeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("seed %d", seed)
	s := &soak{manyUnits: startMany(t, trialProgram(t), *soakUnits), t: t, random: rand.New(rand.NewPCG(seed, 1)),
		ill: map[illness]time.Time{}, dead: map[int]time.Time{}}
	s.known()
	before := s.goroutines()
	var memory []sample
	began := time.Now()
	for next := began; time.Since(began) < *soakFor; next = next.Add(time.Second) {
		s.happen()
		if passed := time.Since(began); passed >= *soakFor/6 {
			memory = append(memory, sample{passed.Hours(), mebi(resident(t, s.agent.cmd.Process.Pid))})
		}
		pause(t, time.Until(next.Add(time.Second)))
	}
	s.heal()
	s.known()
	// What is only late to end does end; what leaks does not.
	after := s.goroutines()
	for end := time.Now().Add(2 * time.Minute); after > before && time.Now().Before(end); after = s.goroutines() {
		t.Logf("%.0f goroutines still, %.0f before", after, before)
	}
	if after > before {
		t.Errorf("%.0f goroutines, %.0f before", after, before)
	}
	t.Logf("%d faults, %d cuts of lines, %d of the broker's; memory %.1f MiB", s.faults, s.cuts, s.silences, memory[len(memory)/2].value)
	if *soakFor >= 10*time.Minute { // before, it grows with what is learned
		growth := slope(memory)
		t.Logf("memory from the first sixth on grows by %.2f MiB an hour", growth)
		if *soakFor >= time.Hour && growth > 1 {
			t.Errorf("memory grows by %.2f MiB an hour", growth)
		}
	}
	s.jitter()
	if code := s.agent.stop(); code != exitOK {
		t.Errorf("stopped with exit code %d", code)
	}
	entries := s.entries()
	eventually(t, "all events are heard", func() bool { return len(s.hears.heard()) >= len(entries) })
	sameEvents(t, s.hears.heard(), entries)
	t.Logf("%d events, all of them at the broker, in order", len(entries))
	if s.faults < 5 || s.cuts == 0 || s.silences == 0 || len(entries) < 10**soakUnits/2 {
		t.Error("too little has happened for this to prove anything")
	}
}

// illness is one fault of one plant.
type illness struct {
	plant *simulator.Plant
	fault simulator.Fault
}

type soak struct {
	*manyUnits
	t                      *testing.T
	random                 *rand.Rand
	ill                    map[illness]time.Time // what is broken, and until when
	dead                   map[int]time.Time     // lines; -1 is the broker's
	faults, cuts, silences int
}

// happen repairs what has been broken for long enough and breaks something.
func (s *soak) happen() {
	now := time.Now()
	for what, until := range s.ill {
		if now.After(until) {
			s.set(what, 0)
			delete(s.ill, what)
		}
	}
	for line, until := range s.dead {
		if now.After(until) {
			s.mend(line)
			delete(s.dead, line)
		}
	}
	if s.random.IntN(2) == 0 {
		p := s.plants[s.random.IntN(len(s.plants))]
		all := p.Faults()
		what := illness{p, all[s.random.IntN(len(all))].Fault}
		s.set(what, s.random.Float64())
		s.ill[what] = now.Add(time.Duration(2+s.random.IntN(60)) * time.Second)
		s.faults++
	}
	if s.random.IntN(5) == 0 {
		s.spoil(s.random.IntN(len(s.lines)), now)
		s.cuts++
	}
	if s.random.IntN(12) == 0 {
		s.spoil(-1, now)
		s.silences++
	}
}

func (s *soak) set(what illness, severity float64) {
	if err := what.plant.Set(what.fault, severity); err != nil {
		s.t.Fatal(err)
	}
}

func (s *soak) line(i int) *line {
	if i < 0 {
		return s.broker
	}
	return s.lines[i]
}

// spoil cuts a line, lets it hang, or makes it slow.
func (s *soak) spoil(i int, now time.Time) {
	l := s.line(i)
	switch s.random.IntN(3) {
	case 0:
		l.cut(true)
	case 1:
		l.slow(30 * time.Second)
	default:
		l.slow(time.Duration(1+s.random.IntN(50)) * time.Millisecond)
	}
	s.dead[i] = now.Add(time.Duration(1+s.random.IntN(15)) * time.Second)
}

// mend ends what hangs in a line, too.
func (s *soak) mend(i int) {
	s.line(i).cut(true)
	s.line(i).slow(0)
	s.line(i).cut(false)
}

// heal repairs everything and waits until the broker has all.
func (s *soak) heal() {
	s.t.Helper()
	for what := range s.ill {
		s.set(what, 0)
	}
	for line := range s.dead {
		s.mend(line)
	}
	// After much trouble the agent waits half a minute and more before it tries
	// the broker again, and its last try may have met a line that hung.
	acknowledged := func() bool {
		return metric(s.t, s.http, "strokebank_uplink_events_waiting") == 0 && metric(s.t, s.http, "strokebank_uplink_connected") == 1
	}
	for end := time.Now().Add(4 * time.Minute); !acknowledged(); pause(s.t, time.Second) {
		if time.Now().After(end) {
			s.t.Fatal("the broker still lacks events")
		}
	}
}

// goroutines is how many run at rest: the fewest of what is seen in a while,
// as some come and go with each scan and each question for them, once two
// whiles in a row have the same. A fresh connection to the broker is busy for
// some seconds.
func (s *soak) goroutines() float64 {
	s.t.Helper()
	last := 0.0
	for range 20 {
		fewest := math.Inf(1)
		for range 20 {
			fewest = min(fewest, metric(s.t, s.http, "go_goroutines"))
			pause(s.t, 50*time.Millisecond)
		}
		if fewest == last {
			return fewest
		}
		last = fewest
	}
	s.t.Fatal("the number of goroutines never rests")
	return 0
}

// jitter tells how far the scans are from their times when all is well again.
func (s *soak) jitter() {
	s.t.Helper()
	var off []float64
	for _, moments := range s.phases(s.t, 20) {
		middle := median(moments)
		for _, m := range moments {
			off = append(off, 1e3*max(later([]float64{middle}, []float64{m}), later([]float64{m}, []float64{middle})))
		}
	}
	slices.Sort(off)
	s.t.Logf("scans of %d units from their times: median %.1f ms, 99 %% within %.1f ms, at most %.1f ms", len(s.plants), off[len(off)/2], off[len(off)*99/100], off[len(off)-1])
}

// entries are the events of history, after the agent has stopped.
func (s *soak) entries() []rules.Entry {
	s.t.Helper()
	ctx := context.Background()
	store, err := history.Open(ctx, history.Options{Dir: s.store, Agent: "gateway-many"})
	if err != nil {
		s.t.Fatal(err)
	}
	defer store.Close()
	if err := store.Verify(ctx); err != nil {
		s.t.Error(err)
	}
	var all []rules.Entry
	for {
		more, err := store.Entries(ctx, uint64(len(all)), 10_000)
		if err != nil {
			s.t.Fatal(err)
		}
		if all = append(all, more...); len(more) == 0 {
			return all
		}
	}
}

// listener keeps the events' ids in the order of their first arrival: whole
// messages of an hour would be too much.
type listener struct {
	mu    sync.Mutex
	seen  map[string]bool
	order []string
}

func listenForIDs(tb testing.TB, port int) *listener {
	tb.Helper()
	l := &listener{seen: map[string]bool{}}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + at(port)).SetClientID("listener").SetProtocolVersion(4))
	done(tb, client.Connect())
	tb.Cleanup(func() { client.Disconnect(100) })
	done(tb, client.Subscribe("strokebank/+/+/event", 1, func(_ mqtt.Client, m mqtt.Message) {
		var e struct{ ID string }
		if err := json.Unmarshal(m.Payload(), &e); err != nil {
			tb.Errorf("%s: %v", m.Topic(), err)
		}
		l.mu.Lock()
		defer l.mu.Unlock()
		if !l.seen[e.ID] {
			l.seen[e.ID] = true
			l.order = append(l.order, e.ID)
		}
	}))
	return l
}

func (l *listener) heard() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.order)
}

// sample is a measurement after so many hours.
type sample struct{ hours, value float64 }

// slope is the median of the slopes of all pairs that lie at least a third of
// the time apart (Theil 1950, Sen 1968): single peaks do not count.
func slope(of []sample) float64 {
	var all []float64
	for i, a := range of {
		for _, b := range of[min(len(of), i+max(1, len(of)/3)):] {
			all = append(all, (b.value-a.value)/(b.hours-a.hours))
		}
	}
	if len(all) == 0 {
		panic(fmt.Sprint("no slope in ", len(of), " samples"))
	}
	slices.Sort(all)
	return all[len(all)/2]
}
