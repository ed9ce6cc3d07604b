package sensors

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

// both runs a test on a serial port and through a converter.
func both(t *testing.T, test func(t *testing.T, start func(testing.TB, func(*rawLine, heard)) (*rawLine, Link))) {
	t.Run("port", func(t *testing.T) { t.Parallel(); test(t, onTerminal) })
	t.Run("converter", func(t *testing.T) { t.Parallel(); test(t, behindConverter) })
}

// The four reads of the MODBUS Application Protocol V1.1b3, clauses 6.1 to
// 6.4, as RTU frames: the same bytes between device and checksum.
func TestExampleFramesOnALine(t *testing.T) {
	both(t, func(t *testing.T, start func(testing.TB, func(*rawLine, heard)) (*rawLine, Link)) {
		answers := map[byte]string{1: "0103CD6B05", 2: "0203ACDB35", 3: "0306022B00000064", 4: "0402000A"}
		_, link := start(t, func(l *rawLine, h heard) { l.say(closed(append([]byte{h.unit}, unhex(t, answers[h.code])...)...)) })
		link.Timeout, link.Period = time.Second, 2*time.Second
		o := settled(t, link)
		for _, tt := range []struct {
			r    Request
			want string
		}{
			{Request{Device: 17, Table: register.Coils, Address: 0x13, Count: 19}, "[1 0 1 1 0 0 1 1 1 1 0 1 0 1 1 0 1 0 1]"},
			{Request{Device: 17, Table: register.DiscreteInputs, Address: 0xC4, Count: 22}, "[0 0 1 1 0 1 0 1 1 1 0 1 1 0 1 1 1 0 1 0 1 1]"},
			{Request{Device: 17, Table: register.HoldingRegisters, Address: 0x6B, Count: 3}, "[555 0 100]"},
			{Request{Device: 17, Table: register.InputRegisters, Address: 8, Count: 1}, "[10]"},
		} {
			if words, err := o.conn.client.ask(tt.r); err != nil || fmt.Sprint(words) != tt.want {
				t.Errorf("%+v: %v, %v", tt.r, words, err)
			}
		}
	})
}

// Whatever the delays up to the worst latency, no answer becomes the value of
// another question. Every answer holds the number of the question that it
// answers, every device is asked for several things that look alike, and three
// in ten answers come later than the owner waits, in whatever order that gives.
func TestLateAnswersAreNeverTaken(t *testing.T) {
	both(t, func(t *testing.T, start func(testing.TB, func(*rawLine, heard)) (*rawLine, Link)) {
		const worst = 150 * time.Millisecond
		random := rand.New(rand.NewPCG(8, 1))
		raw, link := start(t, func(l *rawLine, h heard) {
			delay := time.Duration(0)
			if random.IntN(10) < 3 {
				delay = time.Duration(random.Int64N(int64(worst)))
			}
			answer := h.answer(uint16(h.number))
			if h.number%11 == 0 {
				answer = closed(h.unit, h.code|0x80, 4)
			}
			time.AfterFunc(delay, func() {
				if time.Since(h.at) <= worst { // a busy machine must not break what the owner was told
					l.say(answer)
				}
			})
		})
		link.Timeout, link.Period, link.Line.WorstLatency = 15*time.Millisecond, 20*time.Millisecond, worst
		var points []Point
		for device := range uint8(4) {
			for k := range uint16(3) {
				points = append(points, onLine(fmt.Sprint(device, k), device+1, register.HoldingRegisters, 10*k, 1))
			}
		}
		o := settled(t, link, points...)
		good := 0
		begun := time.Now()
		enough := func() bool { return good >= 100 && o.board.stats.Timeouts >= 20 && time.Since(begun) > 4*time.Second }
		for !enough() && time.Since(begun) < time.Minute {
			_, from, _ := o.clock.Now()
			o.scan(t.Context(), time.Now())
			for i, c := range o.board.cells {
				if c.elapsed < from || c.reading.Quality != signal.Good {
					continue
				}
				good++
				asked := raw.last(points[i].Device, points[i].Spec.Address)
				if c.reading.Value != float64(asked.number) {
					t.Fatalf("device %d register %d: question %d got the answer to %v", asked.unit, asked.addr, asked.number, c.reading.Value)
				}
			}
			time.Sleep(time.Millisecond)
		}
		if !enough() {
			t.Errorf("only %d good values and %d answers that came late", good, o.board.stats.Timeouts)
		}
	})
}

// An answer later than the owner was told is dropped as long as the next
// question to the device is another one.
func TestLaterThanToldIsDroppedWhereQuestionsDiffer(t *testing.T) {
	both(t, func(t *testing.T, start func(testing.TB, func(*rawLine, heard)) (*rawLine, Link)) {
		raw, link := start(t, func(l *rawLine, h heard) {
			if h.number == 1 {
				return
			}
			if h.number == 2 { // now the first answer comes, before the second
				l.say(heard{unit: 1, code: 3, count: 1}.answer(1))
			}
			l.say(h.answer(uint16(h.number)))
		})
		link.Timeout, link.Period = 300*time.Millisecond, time.Second
		o := settled(t, link, onLine("a", 1, register.HoldingRegisters, 0, 1), onLine("b", 1, register.HoldingRegisters, 5, 2))
		o.scan(t.Context(), time.Now().Add(-time.Minute))
		o.devices[0].owes = time.Time{}
		o.scan(t.Context(), time.Now())
		if raw.last(1, 5).number != 2 || raw.last(1, 0).number != 3 {
			t.Error("after a silence the device was asked the same again")
		}
		if a, b := o.board.cells[0].reading, o.board.cells[1].reading; a.Value != 3 || b.Value != 2<<16+2 {
			t.Errorf("got %v and %v", a, b)
		}
	})
}

// A unit that does not answer costs the others one timeout in a scan, and is
// then tried at growing intervals only.
func TestSilentUnitOnALine(t *testing.T) {
	both(t, func(t *testing.T, start func(testing.TB, func(*rawLine, heard)) (*rawLine, Link)) {
		raw, link := start(t, func(l *rawLine, h heard) {
			if h.unit == 3 {
				time.Sleep(30 * time.Millisecond) // the late one's time is over before the scan is
			}
			if h.unit != 2 {
				l.say(h.answer(uint16(h.number)))
			}
		})
		link.Timeout, link.Period = 300*time.Millisecond, time.Second
		link.Line.WorstLatency = link.Timeout
		var points []Point
		for device := range uint8(3) {
			points = append(points, onLine(fmt.Sprint(device), device+1, register.HoldingRegisters, 0, 1),
				onLine(fmt.Sprint(device, "b"), device+1, register.InputRegisters, 0, 1))
		}
		o := settled(t, link, points...)
		o.owesNothing()
		tick := time.Now()
		for scan := range 8 {
			asked := raw.count(2)
			o.scan(t.Context(), tick)
			if n := raw.count(2) - asked; n > 1 {
				t.Errorf("scan %d asked the silent unit %d times", scan, n)
			}
			tick = tick.Add(link.Period)
			time.Sleep(time.Until(tick))
		}
		if one, three := raw.count(1), raw.count(3); one != 16 || three != 16 {
			t.Errorf("the units that answer were asked %d and %d times in 8 scans of 2 reads", one, three)
		}
		if n := raw.count(2); n < 2 || n > 6 {
			t.Errorf("the silent unit was tried %d times in 8 scans", n)
		}
	})
}

func (o *owner) owesNothing() {
	for _, d := range o.devices {
		d.owes = time.Time{}
	}
}

// Frames that are spoilt, torn or nobody's do not become values, and the line
// is well again afterwards.
func TestRubbishOnALine(t *testing.T) {
	whole := func(h heard) []byte { return h.answer(uint16(h.number)) }
	tests := map[string]func(l *rawLine, h heard){
		"wrong checksum": func(l *rawLine, h heard) { f := whole(h); f[len(f)-1]++; l.say(f) },
		"torn":           func(l *rawLine, h heard) { l.say(whole(h)[:4]) },
		"noise":          func(l *rawLine, h heard) { l.say([]byte{0xFF, 0, 0xFF, 0x55, 0x55, 0x55, 0xAA}) },
		"noise before":   func(l *rawLine, h heard) { l.say(append([]byte{0xFF}, whole(h)...)) },
		"wrong length":   func(l *rawLine, h heard) { h.count++; l.say(whole(h)) },
		"other function": func(l *rawLine, h heard) { h.code = 7 - h.code; l.say(whole(h)) },
		"a write":        func(l *rawLine, h heard) { l.say(closed(h.unit, 6, 0, 0, 0, 1)) },
	}
	for name, act := range tests {
		t.Run(name, func(t *testing.T) {
			both(t, func(t *testing.T, start func(testing.TB, func(*rawLine, heard)) (*rawLine, Link)) {
				_, link := start(t, func(l *rawLine, h heard) {
					if h.number == 1 {
						act(l, h)
					} else {
						l.say(whole(h))
					}
				})
				link.Timeout, link.Period = 250*time.Millisecond, time.Second
				o := settled(t, link, onLine("a", 1, register.HoldingRegisters, 0, 1))
				o.scan(t.Context(), time.Now())
				if r := o.board.cells[0].reading; r.Known() || o.board.stats.Garbled != 1 {
					t.Errorf("%+v, %+v", r, o.board.stats)
				}
				o.owesNothing()
				o.scan(t.Context(), time.Now())
				if r := o.board.cells[0].reading; r.Value != 2 || r.Quality != signal.Good || o.opens != 1 {
					t.Errorf("afterwards %+v after %d openings", r, o.opens)
				}
			})
		})
	}
}

// An answer to another unit in front of the own one is passed over; one that
// came before the question is dropped.
func TestAnswersOfOthersArePassedOver(t *testing.T) {
	both(t, func(t *testing.T, start func(testing.TB, func(*rawLine, heard)) (*rawLine, Link)) {
		raw, link := start(t, func(l *rawLine, h heard) {
			l.say(append(heard{unit: 9, code: 3, count: 4}.answer(77), h.answer(5)...))
		})
		link.Timeout, link.Period = time.Second, 2*time.Second
		o := settled(t, link, onLine("a", 1, register.HoldingRegisters, 0, 1))
		raw.say(heard{unit: 1, code: 3, count: 1}.answer(66))
		o.scan(t.Context(), time.Now())
		if r := o.board.cells[0].reading; r.Value != 5 {
			t.Errorf("%+v", r)
		}
	})
}

// A line that babbles without end costs no more than the timeout and gives no
// value.
func TestLineThatNeverFallsSilent(t *testing.T) {
	both(t, func(t *testing.T, start func(testing.TB, func(*rawLine, heard)) (*rawLine, Link)) {
		stop := make(chan struct{})
		raw, link := start(t, func(*rawLine, heard) {})
		// At 50 baud the silence between frames is 0.77 s: longer than a busy
		// machine keeps the babble waiting.
		link.Timeout, link.Line.Baud = time.Second, 50
		o := settled(t, link, onLine("a", 1, register.HoldingRegisters, 0, 1))
		go func() {
			for {
				select {
				case <-stop:
					return
				case <-time.After(time.Millisecond):
					raw.say([]byte{0x55})
				}
			}
		}()
		defer close(stop)
		time.Sleep(20 * time.Millisecond)
		if _, err := o.conn.client.ask(Request{Device: 1, Table: register.HoldingRegisters, Count: 1}); !errors.Is(err, errGarbled) {
			t.Errorf("got %v", err)
		}
		if raw.count(1) != 0 {
			t.Error("a question went out into the noise")
		}
	})
}

// A port that vanishes is a lost link, at once and without a busy loop, and is
// opened again when it is back.
func TestVanishingPort(t *testing.T) {
	near, path := pseudoTerminal(t)
	link := lineTo(path, Serial)
	link.Timeout, link.Period = 2*time.Second, 5*time.Second
	o := settled(t, link, onLine("a", 1, register.HoldingRegisters, 0, 1))
	go func() {
		near.Read(make([]byte, askLength))
		near.Close() // in the middle of the wait for the answer
	}()
	began := time.Now()
	o.scan(t.Context(), began)
	if time.Since(began) > link.Timeout || o.board.stats.Broken != 1 || o.conn.client != nil {
		t.Errorf("%v, %+v", time.Since(began), o.board.stats)
	}
	o.owesNothing()
	o.devices[0].retry = backoff{}
	if o.scan(t.Context(), time.Now()); o.up || o.board.stats.DialFailures == 0 {
		t.Errorf("a port that is gone: %+v", o.board.stats)
	}
}

// The first question on a line waits until what somebody else may have asked
// before can be answered no more.
func TestFreshLineIsLeftAlone(t *testing.T) {
	both(t, func(t *testing.T, start func(testing.TB, func(*rawLine, heard)) (*rawLine, Link)) {
		raw, link := start(t, func(l *rawLine, h heard) { l.say(h.answer(3)) })
		link.Line.WorstLatency = 300 * time.Millisecond
		o := loneOn(t, link, onLine("a", 1, register.HoldingRegisters, 0, 1))
		opened := time.Now()
		for o.board.cells[0].reading.Value != 3 {
			o.scan(t.Context(), time.Now())
			time.Sleep(time.Millisecond)
		}
		if wait := raw.last(1, 0).at.Sub(opened); wait < link.Line.WorstLatency {
			t.Errorf("asked after %v", wait)
		}
	})
}

// A converter that has gone without a word is dialled again.
func TestDeadConverterIsDialledAgain(t *testing.T) {
	_, link := behindConverter(t, func(*rawLine, heard) {})
	o := settled(t, link, onLine("a", 1, register.HoldingRegisters, 0, 1))
	for range 3 {
		o.owesNothing()
		o.devices[0].retry = backoff{}
		o.scan(t.Context(), time.Now())
	}
	if o.opens < 2 {
		t.Errorf("opened %d times", o.opens)
	}
}

// Single reads on a line leave a device that owes an answer in peace.
func TestReadOnALine(t *testing.T) {
	both(t, func(t *testing.T, start func(testing.TB, func(*rawLine, heard)) (*rawLine, Link)) {
		_, link := start(t, func(l *rawLine, h heard) {
			delay := []time.Duration{0, time.Second, 50 * time.Millisecond}[h.addr]
			time.AfterFunc(delay, func() { l.say(h.answer(h.addr + 100)) })
		})
		link.Line.WorstLatency = 1500 * time.Millisecond
		link.Timeout, link.Period = 300*time.Millisecond, time.Second
		var points []Point
		for addr := range uint16(3) {
			points = append(points, onLine(fmt.Sprint(addr), 1, register.HoldingRegisters, addr, 1))
		}
		samples, err := Read(context.Background(), link, points, clockNow())
		if err != nil || len(samples) != 3 {
			t.Fatal(samples, err)
		}
		if samples[0].Raw != "100" || samples[1].Err == nil || samples[2].Raw != "102" {
			t.Errorf("got %+v", samples)
		}
	})
}

func TestImpossibleLines(t *testing.T) {
	ok := lineTo("/dev/ttyS1", Serial)
	for want, change := range map[string]func(*Link){
		"baud": func(l *Link) { l.Line.Baud = 0 }, "stop bits": func(l *Link) { l.Line.StopBits = 3 },
		"latency": func(l *Link) { l.Line.WorstLatency = -1 }, "path": func(l *Link) { l.Address = "" },
		"port": func(l *Link) { l.Via = SerialOverTCP },
	} {
		t.Run(want, func(t *testing.T) {
			l := ok
			change(&l)
			if _, err := New([]Link{l}, clockNow(), slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("got %v, want an error about %q", err, want)
			}
		})
	}
	if _, err := New([]Link{ok}, clockNow(), slog.New(slog.DiscardHandler)); err != nil {
		t.Error(err)
	}
	if _, err := openPort("/dev/null", ok.Line); err == nil {
		t.Error("/dev/null passes for a serial port")
	}
}
