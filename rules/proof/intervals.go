package proof

import "time"

// Intervals say within which time each kind of function must be seen again. 0
// takes the default; a negative one is never due.
type Intervals struct {
	Machine  time.Duration // a pump or compressor starts on demand and delivers; 0: 90 d
	Standby  time.Duration // the standby takes over; 0: 365 d
	Lead     time.Duration // the lead changes; 0: 180 d
	Lockout  time.Duration // compressors wait for the level; 0: 365 d
	Low      time.Duration // a low level, or a low pressure, is reported; 0: 365 d
	Valve    time.Duration // a valve completes its stroke in its time; 0: 180 d
	Drawdown time.Duration // the unit delivers what the reserve promised; 0: 365 d
}

// WithDefaults fills in what is 0. Common practice, no source: what runs every
// week is due in a quarter, what only a test shows once a year.
func (i Intervals) WithDefaults() Intervals {
	const aDay = 24 * time.Hour
	for _, d := range []struct {
		value *time.Duration
		usual time.Duration
	}{
		{&i.Machine, 90 * aDay}, {&i.Standby, 365 * aDay}, {&i.Lead, 180 * aDay}, {&i.Lockout, 365 * aDay},
		{&i.Low, 365 * aDay}, {&i.Valve, 180 * aDay}, {&i.Drawdown, 365 * aDay},
	} {
		if *d.value == 0 {
			*d.value = d.usual
		}
	}
	return i
}
