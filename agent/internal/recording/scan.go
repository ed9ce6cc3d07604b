package recording

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"strokebank/sensors/signal"
)

// A scan is written as what has changed since the one before:
//
//	flags 1 | number, time ns, elapsed ns: differences as varint |
//	one bit a reading: changed | per changed reading: quality and reason 1,
//	unit 1, value 8 | times of the readings as runs of equal ones: length,
//	then 0 for none, else the offset to the scan's time, zigzag, plus 1
//
// A scan after something that is missing is a difference to the last one that
// is there, like any other.
const scanTrusted = 1

// coder holds the scan before. Writing and reading go through the same states.
type coder struct {
	number   uint64
	time     int64
	elapsed  time.Duration
	readings []signal.Reading
	bitmap   []byte
}

func newCoder(points int) *coder {
	return &coder{readings: make([]signal.Reading, points), bitmap: make([]byte, (points+7)/8)}
}

// same compares all but the time, values by their bits.
func same(a, b *signal.Reading) bool {
	return math.Float64bits(a.Value) == math.Float64bits(b.Value) && a.Quality == b.Quality && a.Reason == b.Reason && a.Unit == b.Unit
}

// append writes s behind to.
func (c *coder) append(to []byte, s *signal.Scan) ([]byte, error) {
	if len(s.Readings) != len(c.readings) {
		return to, fmt.Errorf("a scan of %d readings for %d points", len(s.Readings), len(c.readings))
	}
	flags := byte(0)
	if s.ClockTrusted {
		flags |= scanTrusted
	}
	at, _ := nanos(s.Time)
	to = append(to, flags)
	to = binary.AppendUvarint(to, s.Number-c.number)
	to = binary.AppendVarint(to, at-c.time)
	to = binary.AppendVarint(to, int64(s.Elapsed-c.elapsed))
	c.number, c.time, c.elapsed = s.Number, at, s.Elapsed
	clear(c.bitmap)
	for i := range s.Readings {
		if !same(&s.Readings[i], &c.readings[i]) {
			c.bitmap[i/8] |= 1 << (i % 8)
		}
	}
	to = append(to, c.bitmap...)
	for i := range s.Readings {
		if r := &s.Readings[i]; c.bitmap[i/8]&(1<<(i%8)) != 0 {
			to = append(to, byte(r.Quality)|byte(r.Reason)<<2, byte(r.Unit))
			to = binary.LittleEndian.AppendUint64(to, math.Float64bits(r.Value))
		}
	}
	copy(c.readings, s.Readings)
	return c.appendTimes(to), nil
}

// appendTimes writes when the readings were taken: those of one request share
// their time.
func (c *coder) appendTimes(to []byte) []byte {
	for i := 0; i < len(c.readings); {
		n := 1
		for i+n < len(c.readings) && c.readings[i+n].Time.Equal(c.readings[i].Time) {
			n++
		}
		to = binary.AppendUvarint(to, uint64(n))
		code := uint64(0)
		if at, ok := nanos(c.readings[i].Time); ok {
			off := at - c.time
			code = uint64(off<<1) ^ uint64(off>>63) + 1
		}
		to = binary.AppendUvarint(to, code)
		i += n
	}
	return to
}

var errScan = errors.New("a scan that cannot be read")

// read takes one scan from p, reusing the readings of s.
func (c *coder) read(p []byte, s *signal.Scan) error {
	in := input{p: p}
	flags := in.byte()
	c.number += in.uvarint()
	c.time += in.varint()
	c.elapsed += time.Duration(in.varint())
	bitmap := in.bytes(len(c.bitmap))
	for i := range c.readings {
		if in.failed {
			return errScan
		}
		if bitmap[i/8]&(1<<(i%8)) == 0 {
			continue
		}
		r := &c.readings[i]
		how := in.byte()
		r.Quality, r.Reason, r.Unit = signal.Quality(how&3), signal.Reason(how>>2), signal.Unit(in.byte())
		r.Value = math.Float64frombits(in.uint64())
		if r.Quality > signal.Good {
			return errScan
		}
	}
	for i := 0; i < len(c.readings); {
		n, code := in.uvarint(), in.uvarint()
		if in.failed || n == 0 || n > uint64(len(c.readings)-i) {
			return errScan
		}
		var at time.Time
		if code > 0 {
			code--
			at = moment(c.time + (int64(code>>1) ^ -int64(code&1)))
		}
		for ; n > 0; n-- {
			c.readings[i].Time = at
			i++
		}
	}
	if in.failed || len(in.p) > 0 {
		return errScan
	}
	s.Number, s.Time, s.Elapsed, s.ClockTrusted = c.number, moment(c.time), c.elapsed, flags&scanTrusted != 0
	s.Readings = append(s.Readings[:0], c.readings...)
	return nil
}

// input reads from bytes; past their end everything is 0 and failed is set.
type input struct {
	p      []byte
	failed bool
}

func (in *input) bytes(n int) []byte {
	if n > len(in.p) {
		in.failed, in.p = true, nil
		return make([]byte, n)
	}
	b := in.p[:n]
	in.p = in.p[n:]
	return b
}

func (in *input) byte() byte { return in.bytes(1)[0] }

func (in *input) uint64() uint64 { return binary.LittleEndian.Uint64(in.bytes(8)) }

func (in *input) uvarint() uint64 {
	v, n := binary.Uvarint(in.p)
	if n <= 0 {
		in.failed, in.p = true, nil
		return 0
	}
	in.p = in.p[n:]
	return v
}

func (in *input) varint() int64 {
	u := in.uvarint()
	return int64(u>>1) ^ -int64(u&1)
}
