package signal

import (
	"encoding/json"
	"math"
	"time"
)

// Unit is the SI unit of a value between the rooms.
type Unit uint8

// The units. Boolean values are 0 or 1.
const (
	NoUnit Unit = iota
	Boolean
	Count
	Ratio
	Pascal
	Metre
	CubicMetre
	CubicMetrePerSecond
	Kelvin
	Second
	Ampere
	Cycle // of the reserve
)

var unitSymbols = [...]string{
	NoUnit: "", Boolean: "", Count: "", Ratio: "", Pascal: "Pa", Metre: "m",
	CubicMetre: "m³", CubicMetrePerSecond: "m³/s", Kelvin: "K", Second: "s", Ampere: "A",
	Cycle: "cycles",
}

// String is the unit's symbol; empty for dimensionless values.
func (u Unit) String() string {
	if int(u) < len(unitSymbols) {
		return unitSymbols[u]
	}
	return "?"
}

// MarshalText writes the symbol.
func (u Unit) MarshalText() ([]byte, error) { return []byte(u.String()), nil }

// UnmarshalText reads the symbol; what has none, or another one, is NoUnit.
func (u *Unit) UnmarshalText(text []byte) error {
	*u = NoUnit
	for i, s := range unitSymbols {
		if s != "" && s == string(text) {
			*u = Unit(i)
		}
	}
	return nil
}

// Number is a float64 that may be unknown. Unknown is NaN inside the program
// and null outside it; it is never written as 0.
type Number float64

// Unknown is the number that nobody knows.
func Unknown() Number { return Number(math.NaN()) }

// Known reports whether n is a finite number.
func (n Number) Known() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// MarshalJSON writes the number, or null where it is not known.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.Known() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (n *Number) UnmarshalJSON(text []byte) error {
	if string(text) == "null" {
		*n = Unknown()
		return nil
	}
	return json.Unmarshal(text, (*float64)(n))
}

// Reading is one value with all that is needed to trust it or not.
// A Bad reading carries no value that may be used: use Known before Value.
type Reading struct {
	Value   float64   // SI, meaningless where Quality is Bad
	Unit    Unit      // unit of Value
	Quality Quality   // zero: Bad
	Reason  Reason    // why Quality is not Good
	Time    time.Time // when the source was read, UTC
}

// Measured is a good reading of v at t; NaN and infinities come out bad.
func Measured(v float64, u Unit, t time.Time) Reading {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Missing(u, Implausible, t)
	}
	return Reading{Value: v, Unit: u, Quality: Good, Reason: None, Time: t}
}

// Missing is a bad reading with its reason.
func Missing(u Unit, why Reason, t time.Time) Reading {
	return Reading{Unit: u, Quality: Bad, Reason: why, Time: t}
}

// Known reports whether the value may be used at all (good or uncertain).
func (r Reading) Known() bool { return r.Quality != Bad }

// On reports a known contact that is closed. A bad contact is neither on nor
// off: ask Known first where the difference matters.
func (r Reading) On() bool { return r.Known() && r.Value != 0 }

// Number is the value, or Unknown where the reading is bad.
func (r Reading) Number() Number {
	if !r.Known() {
		return Unknown()
	}
	return Number(r.Value)
}

// Degrade lowers the quality to q, with the reason, if it was better. A
// reading that is already as bad keeps its own reason.
func (r Reading) Degrade(q Quality, why Reason) Reading {
	if q < r.Quality {
		r.Quality, r.Reason = q, why
	}
	return r
}

// Derive is a value computed from inputs: no better than the worst of them,
// as old as the oldest, and bad where one of them is bad.
func Derive(v float64, u Unit, inputs ...Reading) Reading {
	out := Reading{Value: v, Unit: u, Quality: Good, Reason: None}
	for i := range inputs {
		in := &inputs[i] // computed many times a scan: not worth a copy each
		if in.Quality < out.Quality {
			out.Quality, out.Reason = in.Quality, in.Reason
		}
		if out.Time.IsZero() || in.Time.Before(out.Time) {
			out.Time = in.Time
		}
	}
	if out.Known() && (math.IsNaN(v) || math.IsInf(v, 0)) {
		out = Missing(u, Implausible, out.Time)
	}
	if !out.Known() {
		out.Value = 0
	}
	return out
}

// readingJSON is the form of a reading outside the program.
type readingJSON struct {
	Value   Number    `json:"value"`
	Unit    Unit      `json:"unit,omitempty"`
	Quality Quality   `json:"quality"`
	Reason  Reason    `json:"reason"`
	Time    time.Time `json:"time,omitzero"`
}

// MarshalJSON writes value (null where bad), unit, quality, reason and time.
func (r Reading) MarshalJSON() ([]byte, error) {
	return json.Marshal(readingJSON{r.Number(), r.Unit, r.Quality, r.Reason, r.Time})
}

// UnmarshalJSON reads what MarshalJSON wrote. A value that is null leaves a
// bad reading, whatever else is said.
func (r *Reading) UnmarshalJSON(text []byte) error {
	in := readingJSON{Value: Unknown()}
	if err := json.Unmarshal(text, &in); err != nil {
		return err
	}
	*r = Reading{Unit: in.Unit, Quality: in.Quality, Reason: in.Reason, Time: in.Time}
	if !in.Value.Known() {
		r.Quality = Bad
	}
	if r.Known() {
		r.Value = float64(in.Value)
	}
	return nil
}
