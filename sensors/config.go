// Package sensors polls the devices of one or more units over Modbus and
// hands on scans of readings. It only ever reads.
package sensors

import (
	"time"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

// Transport is how a link carries its requests.
type Transport uint8

// The transports: Modbus TCP; RTU frames on a serial port of this machine; RTU
// frames through a converter or gateway that passes them on to a serial line.
const (
	TCP Transport = iota
	Serial
	SerialOverTCP
)

// Link is one connection to one or more devices.
type Link struct {
	Name     string
	Address  string // host:port, or the path of a serial port
	Via      Transport
	Line     Line          // of both serial transports
	OneBased bool          // the site's lists count registers from 1 (for display; Spec is zero-based)
	Timeout  time.Duration // the longest wait for one answer; on a line, for its first character
	Period   time.Duration // one scan
	Gap      int           // registers (or 16 bits each) read needlessly to merge two reads
}

// Line is what the owner of a serial line has to know about it.
type Line struct {
	Baud     int    // bits a second
	Parity   Parity // none, even or odd
	StopBits int    // 1 or 2
	// WorstLatency is the longest that any device on the line (with the
	// converter in front of it) can take from the end of a request to the first
	// character of its answer. An answer that comes within it is never taken
	// for another one. What is less than the link's Timeout counts as that.
	WorstLatency time.Duration
}

// Parity is the parity bit of a character.
type Parity uint8

// The parities: MODBUS over Serial Line V1.02, clause 2.5.1, wants even where
// nothing else is agreed.
const (
	NoParity Parity = iota
	EvenParity
	OddParity
)

// Point is one point of a unit and where it is read.
type Point struct {
	ID     signal.ID
	Link   string
	Device uint8 // Modbus unit identifier
	Spec   register.Spec
}

// Clock gives the time to everything that must not read a clock itself.
// Elapsed is monotonic since the process started; trusted says whether wall
// is known to be right.
type Clock interface {
	Now() (wall time.Time, elapsed time.Duration, trusted bool)
}
