package trend

import (
	"math"
	"slices"
	"time"
)

const (
	keptDays  = 128 // daily medians kept
	dayValues = 32  // values kept of the open day
	oldestDay = 400 // days before the newest that still count
)

// Days is a bounded memory of daily medians: the last 128 days (UTC) that had
// a value, and the day that is still open. Its zero value is empty; its JSON
// form is its whole state.
type Days struct {
	Day    [keptDays]int32   `json:"day"`    // days since 1970, oldest first
	Median [keptDays]float32 `json:"median"` // short in JSON, and good to 1e-7
	Count  int               `json:"count"`

	OpenDay int32              `json:"open_day"`
	Open    [dayValues]float32 `json:"open"`
	OpenLen int                `json:"open_count"`
	Stride  int                `json:"stride"` // every how many values one is kept
	Skipped int                `json:"skipped"`
}

// dayOf is the number of the day, UTC, since 1970.
func dayOf(at time.Time) int32 { return int32(math.Floor(float64(at.Unix()) / 86400)) }

// momentOf turns days since 1970 into a time, to the second.
func momentOf(x float64) time.Time { return time.Unix(int64(math.Round(x*86400)), 0).UTC() }

// add takes v in and reports whether a day was closed or taken back. A day
// that the clock has not reached yet was a mistake of the clock: such days go,
// and the open one becomes today.
func (d *Days) add(at time.Time, v float64) (changed bool) {
	day := dayOf(at)
	switch {
	case d.OpenLen == 0:
		d.start(day)
	case day > d.OpenDay:
		d.close()
		d.start(day)
		changed = true
	case day < d.OpenDay:
		for d.Count > 0 && d.Day[d.Count-1] >= day {
			d.Count--
		}
		d.OpenDay = day
		changed = true
	}
	d.keep(float32(v))
	return changed
}

func (d *Days) start(day int32) {
	d.OpenDay, d.OpenLen, d.Stride, d.Skipped = day, 0, 1, 0
}

// keep puts v into the open day. When that is full every second value goes,
// and from then on only every second one is kept, so that the whole day
// remains in view.
func (d *Days) keep(v float32) {
	if d.Skipped++; d.Skipped < d.Stride {
		return
	}
	d.Skipped = 0
	if d.OpenLen == dayValues {
		for i := range dayValues / 2 {
			d.Open[i] = d.Open[2*i]
		}
		d.OpenLen = dayValues / 2
		d.Stride *= 2
	}
	d.Open[d.OpenLen] = v
	d.OpenLen++
}

// close makes the open day's median one of the kept ones.
func (d *Days) close() {
	if d.Count == keptDays {
		copy(d.Day[:], d.Day[1:])
		copy(d.Median[:], d.Median[1:])
		d.Count--
	}
	values := d.Open
	part := values[:d.OpenLen]
	slices.Sort(part)
	d.Day[d.Count] = d.OpenDay
	d.Median[d.Count] = part[(len(part)-1)/2]/2 + part[len(part)/2]/2
	d.Count++
}

// points writes the closed days that still count as points, x in days since
// 1970 at noon, and returns how many there are.
func (d *Days) points(x, y *[keptDays]float64) int {
	n := 0
	for i := range d.Count {
		if d.Day[d.Count-1]-d.Day[i] > oldestDay {
			continue
		}
		x[n], y[n] = float64(d.Day[i])+0.5, float64(d.Median[i])
		n++
	}
	return n
}

// sound reports whether the state can be one that add has made.
func (d *Days) sound() bool {
	if d.Count < 0 || d.Count > keptDays || d.OpenLen < 0 || d.OpenLen > dayValues ||
		d.Skipped < 0 || (d.OpenLen > 0 && d.Stride < 1) {
		return false
	}
	for i := range d.Count {
		if !finite(float64(d.Median[i])) || (i > 0 && d.Day[i] <= d.Day[i-1]) {
			return false
		}
	}
	for _, v := range d.Open[:d.OpenLen] {
		if !finite(float64(v)) {
			return false
		}
	}
	return d.Count == 0 || d.OpenLen == 0 || d.Day[d.Count-1] < d.OpenDay
}
