package machine

import (
	"time"

	"strokebank/sensors/signal"
)

// Signals are the readings of one machine. A signal that the unit does not
// have is signal.Missing with the reason NotConfigured; a forgotten field
// counts as configured and not read yet.
type Signals struct {
	Running      signal.Reading
	Called       signal.Reading
	Overload     signal.Reading
	Automatic    signal.Reading
	Hand         signal.Reading
	StartCounter signal.Reading // starts
	HourMeter    signal.Reading // s
}

// In is what one scan says about a pair. Time is the wall clock, Elapsed the
// monotonic time since the process started.
type In struct {
	Time         time.Time
	Elapsed      time.Duration
	ClockTrusted bool

	Machines [2]Signals
	Mains    signal.Reading
	Process  signal.Reading // oil level (m) for pumps, pressure (Pa gauge) for compressors
	// Locked is on while the panel holds the pair back by design:
	// compressors, until the oil level is restored. NotConfigured: never.
	Locked signal.Reading
	// Away: a person has taken the machine out of service, so nobody counts on
	// it. Useless: it is proven to run and deliver nothing.
	Away, Useless [2]bool
}

// What happened to a machine.
const (
	Started      = "started"       // seen from stopped to running
	Ended        = "stopped"       // seen from running to stopped
	FoundRunning = "found running" // its start was not seen
	RunCut       = "run cut"       // its end was not seen
)

// Change is one thing that happened to a machine, at the contact's time.
type Change struct {
	Machine int // 0 or 1
	What    string
	Time    time.Time
}

// Out is what one step gives. It belongs to the Pair and is overwritten by
// the next Step.
type Out struct {
	Machines [2]Status
	Pair     PairStatus
	Runs     []Run    // completed in this step
	Changes  []Change // in order
	Running  bool     // a machine runs: the beat is wanted

	// The conditions of the alarms: on where the condition stands, bad where
	// it cannot be judged, NotConfigured where the signals for it do not
	// exist.
	NoAnswer       signal.Reading
	FailedToStart  [2]signal.Reading
	SpuriousStop   [2]signal.Reading // stopped although still called
	Overload       [2]signal.Reading
	NotInAutomatic [2]signal.Reading
}
