package alarm

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"
)

// caller counts alarms that ask for attention at given times.
type caller struct {
	load  Load
	tally []Tally
	names []Status
}

func newCaller(n int) *caller {
	c := &caller{tally: make([]Tally, n)}
	for i := range n {
		c.names = append(c.names, Status{Name: fmt.Sprint("alarm", i), Source: "unit"})
	}
	return c
}

func (c *caller) figures() Figures {
	var f Figures
	c.load.Fill(&f, c.names, func(i int) *Tally { return &c.tally[i] })
	return f
}

// each calls alarm which n times, every so often, in steps of a second.
func (c *caller) each(which, n int, every time.Duration) {
	for range n {
		c.load.Call(&c.tally[which], Medium)
		c.pass(every)
	}
}

func (c *caller) pass(d time.Duration) {
	for ; d > 0; d -= time.Second {
		c.load.Pass(min(d, time.Second), true)
	}
}

func TestLoadOfADay(t *testing.T) {
	c := newCaller(12)
	c.load.Call(&c.tally[3], High)
	for i := range 12 {
		c.each(i, i+1, 10*time.Minute)
	}
	f := c.figures()
	if f.Day != 79 || f.Shares[0].Raised != 1 || f.Shares[1].Raised != 78 || f.Shares[2].Raised != 0 {
		t.Errorf("%+v", f)
	}
	if s := float64(f.Shares[1].Share); s < 78.0/79-1e-12 || s > 78.0/79+1e-12 {
		t.Errorf("share %v", s)
	}
	if len(f.Frequent) != 10 || f.Frequent[0] != (Frequency{"alarm11", "unit", 12}) || f.Frequent[9].Raised != 3 {
		t.Errorf("most frequent %+v", f.Frequent)
	}
	if f.Observed != (78 * 10 * time.Minute).Seconds() {
		t.Errorf("observed %v s", f.Observed)
	}
	c.pass(24 * time.Hour)
	if f = c.figures(); f.Day != 0 || len(f.Frequent) != 0 || f.Observed != 86400 || f.Shares[0].Share.Known() {
		t.Errorf("a day later %+v", f)
	}
}

func TestRatingOfADay(t *testing.T) {
	for n, want := range map[int]string{0: "acceptable", 150: "acceptable", 151: "manageable", 300: "manageable", 301: "too many"} {
		c := newCaller(1)
		c.each(0, n, time.Minute)
		if f := c.figures(); f.Rating != want {
			t.Errorf("%d a day are %s", n, f.Rating)
		}
	}
}

// A flood is more than ten in ten minutes, and one flood until it is over.
func TestFlood(t *testing.T) {
	c := newCaller(20)
	for i := range 10 {
		c.each(i, 1, 50*time.Second)
	}
	if f := c.figures(); f.Flood || f.TenMinutes != 10 {
		t.Fatalf("ten are no flood: %+v", f)
	}
	c.each(10, 1, time.Second)
	if f := c.figures(); !f.Flood || f.Floods != 1 || f.Worst < 11 {
		t.Fatalf("eleven within ten minutes: %+v", f)
	}
	c.each(11, 5, time.Minute)
	if f := c.figures(); !f.Flood || f.Floods != 1 {
		t.Errorf("it goes on: %+v", f)
	}
	c.pass(15 * time.Minute)
	f := c.figures()
	if f.Flood || f.Floods != 1 || f.TenMinutes != 0 {
		t.Errorf("it is over: %+v", f)
	}
}

func TestChattering(t *testing.T) {
	for name, c := range map[string]struct {
		every time.Duration
		n     int
		want  bool
	}{
		"three within a minute":           {29 * time.Second, 3, true},
		"two within a minute":             {20 * time.Second, 2, false},
		"three in a little over a minute": {31 * time.Second, 3, false},
	} {
		t.Run(name, func(t *testing.T) {
			x := newCaller(2)
			for range c.n - 1 {
				x.each(0, 1, c.every)
			}
			x.load.Call(&x.tally[0], Low)
			x.load.Call(&x.tally[1], Low)
			f := x.figures()
			if x.tally[0].Chattering(&x.load) != c.want || (f.Chattering == 1) != c.want || (f.Chatters == 1) != c.want {
				t.Errorf("%+v", f)
			}
			x.pass(2 * time.Minute)
			if f = x.figures(); f.Chattering != 0 || (f.Chatters == 1) != c.want {
				t.Errorf("two minutes later %+v", f)
			}
		})
	}
}

// TestLoadIsBoundedAndSurvives: a month of chatter takes no more than a day's
// memory, a restart loses nothing, and what nobody watched is said.
func TestLoadIsBoundedAndSurvives(t *testing.T) {
	c := newCaller(1)
	for range 30 * 24 * 6 {
		c.each(0, 2, time.Second)
		c.load.Pass(10*time.Minute-2*time.Second, true)
	}
	if n := len(c.load.Parts); n > stretches {
		t.Errorf("%d stretches are kept", n)
	}
	text, err := json.Marshal(c.load)
	if err != nil {
		t.Fatal(err)
	}
	if len(text) > 8000 {
		t.Errorf("%d bytes are saved", len(text))
	}
	before := c.figures()
	c.load = Load{}
	if err := json.Unmarshal(text, &c.load); err != nil {
		t.Fatal(err)
	}
	if after := c.figures(); fmt.Sprint(after) != fmt.Sprint(before) {
		t.Errorf("after a restart %+v, before %+v", after, before)
	}
	c.load.Pass(6*time.Hour, false)
	if f := c.figures(); f.Observed != 18*3600 || f.Day >= before.Day {
		t.Errorf("after six hours unwatched %+v", f)
	}
}
