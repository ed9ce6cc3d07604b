package sensors

import (
	"encoding/binary"
	"net"
	"sync"
	"testing"
	"time"

	"strokebank/sensors/signal"
)

// The values of the tests below: what the device holds before and after, and
// what only a bad answer carries.
const (
	before = 1111
	poison = 6666
	after  = 2222
)

func poisoned(r request) []byte { return payload(r, same(poison)) }

// spliced is an answer with a piece of it replaced.
func spliced(r request, at int, with ...byte) []byte {
	b := frame(r.txn, r.unit, poisoned(r)...)
	copy(b[at:], with)
	return b
}

func always(write func(r request) []byte) behaviour {
	return func(c net.Conn, r request) bool {
		c.Write(write(r))
		return true
	}
}

// lateAnswers keeps every answer back until the next request has come, and
// then gives it to that one: under its own transaction, or under the new one
// but for the old address, which nobody could tell from a right answer if the
// connection were still the same.
func lateAnswers() behaviour {
	var mu sync.Mutex
	var owed = make(map[net.Conn][]byte)
	return func(c net.Conn, r request) bool {
		mu.Lock()
		defer mu.Unlock()
		if late := owed[c]; late != nil {
			binary.BigEndian.PutUint16(late, r.txn)
			c.Write(late)
		}
		owed[c] = frame(r.txn, r.unit, poisoned(r)...)
		return true
	}
}

// badDevices is every way to answer wrongly that a scan must survive.
func badDevices() map[string]struct {
	act behaviour
	why signal.Reason
} {
	type bad = struct {
		act behaviour
		why signal.Reason
	}
	half := func(r request) []byte {
		b := frame(r.txn, r.unit, poisoned(r)...)
		return b[:len(b)-1]
	}
	return map[string]bad{
		"silent":                 {silent, signal.LinkLost},
		"late":                   {lateAnswers(), signal.LinkLost},
		"short":                  {always(half), signal.LinkLost},
		"header only":            {always(func(r request) []byte { return half(r)[:7] }), signal.LinkLost},
		"foreign transaction":    {always(func(r request) []byte { return frame(r.txn+1, r.unit, poisoned(r)...) }), signal.LinkLost},
		"old transaction":        {always(func(r request) []byte { return frame(r.txn-1, r.unit, poisoned(r)...) }), signal.LinkLost},
		"foreign protocol":       {always(func(r request) []byte { return spliced(r, 2, 0, 1) }), signal.LinkLost},
		"wrong unit":             {always(func(r request) []byte { return frame(r.txn, r.unit+1, poisoned(r)...) }), signal.LinkLost},
		"unit 255":               {always(func(r request) []byte { return frame(r.txn, 255, poisoned(r)...) }), signal.LinkLost},
		"wrong function":         {always(func(r request) []byte { return spliced(r, 7, r.code^7) }), signal.LinkLost},
		"exception of another":   {always(func(r request) []byte { return frame(r.txn, r.unit, 0x84^r.code^3, 2) }), signal.LinkLost},
		"exception without code": {always(func(r request) []byte { return frame(r.txn, r.unit, 0x80|r.code) }), signal.LinkLost},
		"wrong byte count":       {always(func(r request) []byte { return spliced(r, 8, byte(2*r.count)-2) }), signal.LinkLost},
		"length too long":        {always(func(r request) []byte { return spliced(r, 4, 0xFF, 0xFF) }), signal.LinkLost},
		"length zero":            {always(func(r request) []byte { return spliced(r, 4, 0, 0) }), signal.LinkLost},
		"one register too few":   {always(func(r request) []byte { r.count--; return frame(r.txn, r.unit, poisoned(r)...) }), signal.LinkLost},
		"one register too many":  {always(func(r request) []byte { r.count++; return frame(r.txn, r.unit, poisoned(r)...) }), signal.LinkLost},
		"garbage":                {always(func(request) []byte { return []byte("HTTP/1.1 400 Bad Request\r\n\r\n") }), signal.LinkLost},
		"closing":                {func(net.Conn, request) bool { return false }, signal.LinkLost},
		"closing mid-frame":      {func(c net.Conn, r request) bool { c.Write(half(r)); return false }, signal.LinkLost},
		"busy":                   {except(6), signal.Exception},
		"device failure":         {except(4), signal.Exception},
		"no such address":        {except(2), signal.Exception},
		"unknown exception":      {except(0x7A), signal.Exception},
		"gateway, target silent": {except(11), signal.NoAnswer},
		"gateway, no path":       {except(10), signal.NoAnswer},
	}
}

// Whatever a device answers, no wrong value is ever taken for a right one, the
// cause is named, and the next right answer is taken.
func TestBadDevice(t *testing.T) {
	for name, bad := range badDevices() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			server := serve(t, answering(same(before)))
			r := start(t, []Link{linkTo("panel", server.address())}, clockNow(), map[string][]Point{
				"AU-7": {word("pressure", "panel", 1, 10), word("level", "panel", 1, 12), word("sump_level", "panel", 1, 300)},
			})
			r.await("AU-7", "good at first", reads(2, before), nil)
			never := func(s signal.Scan) {
				for i, reading := range s.Readings {
					if reading.Known() && reading.Value == poison || !reading.Known() && reading.Value != 0 {
						t.Fatalf("reading %d: %+v", i, reading)
					}
				}
			}
			server.become(bad.act)
			link := 1.0 // a device that answers nonsense is as lost as one that is silent
			if bad.why == signal.LinkLost {
				link = 0
			}
			r.await("AU-7", "bad for its reason",
				all(isBad(0, bad.why), isBad(1, bad.why), isBad(2, bad.why), reads(3, link)), never)
			for range 2 { // and it stays so
				if s := r.next("AU-7"); s.Readings[0].Known() || s.Readings[2].Known() {
					t.Fatalf("known while the device is %s: %+v", name, s.Readings)
				}
			}
			server.become(answering(same(after)))
			r.await("AU-7", "good afterwards", all(reads(0, after), reads(1, after), reads(2, after), reads(3, 1)), never)
		})
	}
}

// A twin of an answer, left over in the connection, answers nothing.
func TestAnswerGivenTwice(t *testing.T) {
	var mu sync.Mutex
	value := uint16(0)
	server := serve(t, func(c net.Conn, r request) bool {
		mu.Lock()
		defer mu.Unlock()
		value++
		answer := frame(r.txn, r.unit, payload(r, same(value))...)
		c.Write(append(answer, answer...))
		return true
	})
	r := start(t, []Link{linkTo("panel", server.address())}, clockNow(),
		map[string][]Point{"AU-7": {word("level", "panel", 1, 5)}})
	var last signal.Reading
	for range 6 {
		s := r.await("AU-7", "a new good reading", func(s signal.Scan) bool {
			return s.Readings[0].Quality == signal.Good && s.Readings[0].Time.After(last.Time)
		}, nil)
		if s.Readings[0].Value <= last.Value {
			t.Fatalf("value %v after %v: an old answer", s.Readings[0].Value, last.Value)
		}
		last = s.Readings[0]
	}
}

// A half-open connection: the old one swallows everything, a new one works.
// It is noticed, and mended, within the scan that meets it.
func TestHalfOpen(t *testing.T) {
	server := serve(t, answering(same(before)))
	o := lone(t, server, word("level", "panel", 1, 5))
	o.scan(t.Context(), time.Now())
	if got := o.board.cells[0].reading; got.Value != before {
		t.Fatalf("at first %+v", got)
	}
	dead := server.seen()[0].conn
	good := answering(same(after))
	server.become(func(c net.Conn, req request) bool { return req.conn == dead || good(c, req) })
	o.scan(t.Context(), time.Now())
	if got := o.board.cells[0].reading; got.Quality != signal.Good || got.Value != after {
		t.Errorf("after one scan %+v", got)
	}
	if stats := o.board.stats; stats.Reconnects != 1 || stats.Timeouts != 1 {
		t.Errorf("not counted: %+v", stats)
	}
}
