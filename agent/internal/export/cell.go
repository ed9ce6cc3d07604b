package export

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"strokebank/sensors/signal"
)

// cell appends the values of one row.
type cell struct {
	buf   []byte
	json  bool
	place *Place
}

// none is a value that is not known.
func (c *cell) none() {
	if c.json {
		c.buf = append(c.buf, "null"...)
	}
}

// number is a figure; what is not finite is not known.
func (c *cell) number(v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		c.none()
		return
	}
	c.buf = strconv.AppendFloat(c.buf, v, 'g', -1, 64)
}

func (c *cell) known(n signal.Number) { c.number(float64(n)) }

func (c *cell) count(n uint64) { c.buf = strconv.AppendUint(c.buf, n, 10) }

func (c *cell) truth(v bool) { c.buf = strconv.AppendBool(c.buf, v) }

// time is a moment; the zero time is not known.
func (c *cell) time(t time.Time) {
	if t.IsZero() {
		c.none()
		return
	}
	if c.json {
		c.buf = append(c.buf, '"')
	}
	c.buf = t.UTC().AppendFormat(c.buf, time.RFC3339Nano)
	if c.json {
		c.buf = append(c.buf, '"')
	}
}

// tag is the site's name of a position.
func (c *cell) tag(position string) { c.text(c.place.Tags[position]) }

// text is words; none is not known.
func (c *cell) text(s string) {
	switch {
	case s == "":
		c.none()
	case c.json:
		c.quoted(s)
	default:
		c.field(s)
	}
}

// field is a field of RFC 4180 that no spreadsheet takes for a formula.
func (c *cell) field(s string) {
	formula := strings.IndexByte("=+-@\t\r", s[0]) >= 0
	if !strings.ContainsAny(s, "\",\r\n") && s[0] != ' ' && s[len(s)-1] != ' ' {
		if formula {
			c.buf = append(c.buf, '\'')
		}
		c.buf = append(c.buf, s...)
		return
	}
	c.buf = append(c.buf, '"')
	if formula {
		c.buf = append(c.buf, '\'')
	}
	for i := range len(s) {
		if s[i] == '"' {
			c.buf = append(c.buf, '"')
		}
		c.buf = append(c.buf, s[i])
	}
	c.buf = append(c.buf, '"')
}

// quoted is a JSON string (RFC 8259).
func (c *cell) quoted(s string) {
	const hex = "0123456789abcdef"
	c.buf = append(c.buf, '"')
	for i := 0; i < len(s); {
		switch b := s[i]; {
		case b == '"' || b == '\\':
			c.buf = append(c.buf, '\\', b)
		case b < 0x20:
			c.buf = append(c.buf, '\\', 'u', '0', '0', hex[b>>4], hex[b&15])
		case b < utf8.RuneSelf:
			c.buf = append(c.buf, b)
		default:
			r, n := utf8.DecodeRuneInString(s[i:])
			c.buf = utf8.AppendRune(c.buf, r) // a byte that is no text becomes the sign for that
			i += n
			continue
		}
		i++
	}
	c.buf = append(c.buf, '"')
}
