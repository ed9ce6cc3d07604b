// Package signal is the vocabulary between the rooms: a reading with its
// unit, quality, reason and time, the names of the points, and the scan that
// carries all readings of one unit at one moment.
//
// It imports nothing of this module and does no I/O. All values are SI:
// Pa, m, m³, K, s, A. Every type here is a plain value, safe to copy and to
// read from several goroutines as long as nobody writes.
package signal

// Quality says how far a value can be trusted. The zero value is Bad, so a
// forgotten field never looks good.
type Quality uint8

// The three qualities, worst first, so that the smaller one is the worse.
const (
	Bad Quality = iota
	Uncertain
	Good
)

// String is the word that leaves the program.
func (q Quality) String() string {
	switch q {
	case Good:
		return "good"
	case Uncertain:
		return "uncertain"
	default:
		return "bad"
	}
}

// MarshalText writes the word of String.
func (q Quality) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads the word of String; any other word is Bad.
func (q *Quality) UnmarshalText(text []byte) error {
	*q = Bad
	switch string(text) {
	case "good":
		*q = Good
	case "uncertain":
		*q = Uncertain
	}
	return nil
}

// Reason says why a reading is not good. A good reading has reason None.
type Reason uint8

// The reasons. NeverRead is the zero value: like the zero quality it never
// looks good.
const (
	NeverRead      Reason = iota // no answer has come yet
	None                         // nothing is wrong
	BelowRange                   // uncertain: under the measuring range, inside the failure limits
	AboveRange                   // uncertain: over the measuring range, inside the failure limits
	FailureLow                   // bad: at or under the lower failure limit (NAMUR NE 43)
	FailureHigh                  // bad: at or over the upper failure limit (NAMUR NE 43)
	LinkLost                     // bad: the link to the device is down
	NoAnswer                     // bad: the device does not answer on a link that is up
	Exception                    // bad: the device answered with a Modbus exception
	Implausible                  // bad: not a number, infinite, or physically impossible
	Late                         // uncertain: older than one scan and at most three
	Stale                        // bad: older than three scans
	ClockUntrusted               // uncertain: the gateway's clock is not known to be right
	NotConfigured                // bad: the unit has no such signal
	Contradiction                // bad: two signals that exclude each other
	DependsOnBad                 // bad: computed from a value that is bad
)

var reasonWords = [...]string{
	NeverRead: "not read yet", None: "", BelowRange: "below measuring range",
	AboveRange: "above measuring range", FailureLow: "failure signal low",
	FailureHigh: "failure signal high", LinkLost: "link lost",
	NoAnswer: "device does not answer", Exception: "device answered with an exception",
	Implausible: "implausible value", Late: "older than one scan",
	Stale: "older than three scans", ClockUntrusted: "clock not trusted",
	NotConfigured: "not configured", Contradiction: "signals contradict each other",
	DependsOnBad: "an input is bad",
}

// String is the phrase that leaves the program; empty for None.
func (r Reason) String() string {
	if int(r) < len(reasonWords) {
		return reasonWords[r]
	}
	return "unknown reason"
}

// MarshalText writes the phrase of String.
func (r Reason) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads the phrase of String; any other phrase is NeverRead.
func (r *Reason) UnmarshalText(text []byte) error {
	*r = NeverRead
	for i, w := range reasonWords {
		if w == string(text) {
			*r = Reason(i)
		}
	}
	return nil
}
