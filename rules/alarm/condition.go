package alarm

import (
	"math"

	"strokebank/sensors/signal"
)

var unknown = signal.Unknown()

// When is the condition that a contact, or a computed yes or no, stands for:
// present while it is on, unclear while it is bad.
func When(r signal.Reading) Condition {
	switch {
	case !r.Known():
		return blind(r)
	case r.On():
		return Present
	default:
		return Absent
	}
}

// Below is present while value is under limit. With holding (see
// Alarm.Holding) it stays present until value has come back to the limit plus
// the deadband, a ratio of the limit's size (0.02 of 5 bar is 0.1 bar).
//
// The size is that of the number compared, so a deadband suits limits that
// count from a true zero: gauge pressure, level above the tank's lowest
// inside point. At a limit of 0 there is no deadband left. A figure that
// comes in whole steps wants none either: 2 % of 3 cycles would only be met
// by 4. An unknown limit is unclear.
func Below(value signal.Reading, limit, deadband float64, holding bool) Condition {
	return compare(value, limit, deadband, holding, 1)
}

// Above is present while value is over limit; the deadband works downwards.
// See Below.
func Above(value signal.Reading, limit, deadband float64, holding bool) Condition {
	return compare(value, limit, deadband, holding, -1)
}

// compare is Below, or Above with both sides mirrored.
func compare(value signal.Reading, limit, deadband float64, holding bool, sign float64) Condition {
	if !value.Known() {
		return blind(value)
	}
	v, edge := sign*value.Value, sign*limit
	if holding && deadband > 0 {
		// The conversion keeps the product from being fused into the sum,
		// which would move the edge on some architectures.
		edge += float64(deadband * math.Abs(limit))
	}
	switch {
	case math.IsNaN(v) || math.IsNaN(edge):
		return Unclear
	case v < edge:
		return Present
	default:
		return Absent
	}
}

// blind is the condition of a bad reading.
func blind(r signal.Reading) Condition {
	if r.Reason == signal.NeverRead {
		return Unread
	}
	return Unclear
}
