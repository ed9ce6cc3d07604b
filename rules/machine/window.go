package machine

import "time"

const (
	hour  = time.Hour
	day   = 24 * time.Hour
	hours = 24
	days  = 30
)

// bucket is what a machine did in one hour or one day. Whole nanoseconds, so
// that sums are exact and can be kept up without drift.
type bucket struct {
	Run        time.Duration `json:"r,omitempty"`
	Starts     int64         `json:"s,omitempty"`
	Unobserved time.Duration `json:"u,omitempty"`
}

func (b *bucket) add(o bucket) {
	b.Run += o.Run
	b.Starts += o.Starts
	b.Unobserved += o.Unobserved
}

// rings are the buckets of one machine, placed by the pair's age: the bucket
// of age t is t/hour (or t/day) modulo the number of buckets.
type rings struct {
	Hours [hours]bucket `json:"hours"`
	Days  [days]bucket  `json:"days"`
}

// put adds o at the given age.
func (r *rings) put(age time.Duration, o bucket) {
	r.Hours[age/hour%hours].add(o)
	r.Days[age/day%days].add(o)
}

// turn clears the buckets that the age has entered since from.
func (r *rings) turn(from, to time.Duration) {
	for n, i := to/hour-from/hour, to/hour; n > 0 && to/hour-i < hours; n, i = n-1, i-1 {
		r.Hours[i%hours] = bucket{}
	}
	for n, i := to/day-from/day, to/day; n > 0 && to/day-i < days; n, i = n-1, i-1 {
		r.Days[i%days] = bucket{}
	}
}

// fill turns unobserved time of the newest buckets into run time, up to d.
func (r *rings) fill(age, d time.Duration) {
	fillRing(r.Hours[:], int(age/hour%hours), d)
	fillRing(r.Days[:], int(age/day%days), d)
}

func fillRing(b []bucket, at int, d time.Duration) {
	for n := 0; n < len(b) && d > 0; n++ {
		i := (at - n + len(b)) % len(b)
		part := min(d, b[i].Unobserved)
		b[i].Run += part
		b[i].Unobserved -= part
		d -= part
	}
}

// sums are the windows of 24 h, 7 d and 30 d that end at age.
func (r *rings) sums(age time.Duration) (w [3]bucket) {
	for i := range r.Hours {
		w[0].add(r.Hours[i])
	}
	at := int(age / day % days)
	for n := range r.Days {
		b := r.Days[(at-n+days)%days]
		if n < 7 {
			w[1].add(b)
		}
		w[2].add(b)
	}
	return w
}

// covers is how much of the past window w holds at the given age.
func covers(w int, age time.Duration) time.Duration {
	switch w {
	case 0:
		return min(age, (hours-1)*hour+age%hour)
	case 1:
		return min(age, 6*day+age%day)
	default:
		return min(age, (days-1)*day+age%day)
	}
}
