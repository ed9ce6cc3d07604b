// Package sensors polls the devices of one or more units over Modbus and
// hands on scans of readings. It only ever reads.
package sensors

import (
	"time"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

// Link is one connection to one or more devices.
type Link struct {
	Name     string
	Address  string        // host:port of a Modbus TCP device or gateway
	OneBased bool          // the site's lists count registers from 1 (for display; Spec is zero-based)
	Timeout  time.Duration // the longest wait for one answer
	Period   time.Duration // one scan
	Gap      int           // registers (or 16 bits each) read needlessly to merge two reads
}

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
