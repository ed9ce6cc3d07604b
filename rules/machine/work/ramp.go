package work

import "math"

const (
	blocks     = 32
	startWidth = 2.0 // s, of a block at first
	// sure is how many standard deviations make a difference real.
	sure = 3.5
)

// block is a stretch of readings.
type block struct {
	n          float64
	t, v       float64 // sums
	d, dd      float64 // differences to the reading before, and their squares
	differ     float64 // how many
	begin, end float64 // s
}

func (b *block) add(o block) {
	if b.n == 0 {
		*b = o
		return
	}
	b.n += o.n
	b.t += o.t
	b.v += o.v
	b.d += o.d
	b.dd += o.dd
	b.differ += o.differ
	b.end = o.end
}

// ramp collects the readings of something that rises steadily, in a fixed
// number of blocks that grow with the length of the rise.
type ramp struct {
	b     [blocks]block
	count int // complete blocks
	open  block
	width float64 // s
	last  float64
}

func (r *ramp) reset() { *r = ramp{width: startWidth} }

// add takes a reading at t seconds. It reports that a block was completed.
func (r *ramp) add(t, v float64) bool {
	if r.width == 0 {
		r.reset()
	}
	one := block{n: 1, t: t, v: v, begin: t, end: t}
	if r.open.n > 0 || r.count > 0 {
		d := v - r.last
		one.d, one.dd, one.differ = d, float64(d*d), 1
	}
	r.last = v
	r.open.add(one)
	if r.open.end-r.open.begin < r.width-1e-9 {
		return false
	}
	if r.count == blocks {
		for i := range blocks / 2 {
			pair := r.b[2*i]
			pair.add(r.b[2*i+1])
			r.b[i] = pair
		}
		r.count = blocks / 2
		r.width *= 2
	}
	r.b[r.count] = r.open
	r.count++
	r.open = block{}
	return true
}

// span is the time from the first to the last complete block, s.
func (r *ramp) span() float64 {
	if r.count == 0 {
		return 0
	}
	return r.b[r.count-1].end - r.b[0].begin
}

// line is a fitted rise.
type line struct {
	ok           bool
	slope, sigma float64 // a second; standard error
	noise        float64 // standard deviation of one reading
	from, to     float64 // s
	off          float64 // how far the blocks are from a line, in standard deviations of chi²
}

// fit is the straight line through blocks i to j-1, weighted by their readings
// (least squares). The noise comes from the differences between neighbouring
// readings (von Neumann 1941), not from what is left beside the line, so that
// a kink in the rise shows as bad agreement. floor is the least noise of a
// reading that is believed.
func (r *ramp) fit(i, j int, floor float64) line {
	var n, st, sv, d, dd, m float64
	for k := i; k < j; k++ {
		b := &r.b[k]
		n, st, sv = n+b.n, st+b.t, sv+b.v
		d, dd, m = d+b.d, dd+b.dd, m+b.differ
	}
	if j-i < 3 || n < 6 || m < 2 {
		return line{}
	}
	mt, mv := st/n, sv/n
	var xx, xy float64
	for k := i; k < j; k++ {
		b := &r.b[k]
		x, y := b.t/b.n-mt, b.v/b.n-mv
		xx += float64(b.n * x * x)
		xy += float64(b.n * x * y)
	}
	if !(xx > 0) {
		return line{}
	}
	l := line{ok: true, slope: xy / xx, from: r.b[i].begin, to: r.b[j-1].end}
	mean := d / m
	noise := math.Max(floor, math.Sqrt(math.Max(0, (dd/m-float64(mean*mean))/2)))
	chi := 0.0
	for k := i; k < j; k++ {
		b := &r.b[k]
		y := b.v/b.n - mv - float64(l.slope*(b.t/b.n-mt))
		chi += float64(b.n * y * y)
	}
	free := float64(j - i - 2)
	chi /= noise * noise
	l.noise = noise
	l.off = (chi - free) / math.Sqrt(2*free)
	// A little more scatter than the noise explains widens the error.
	l.sigma = noise * math.Sqrt(math.Max(1, chi/free)/xx)
	return l
}

// straight is the part of the rise that is one line: all of it, or what remains
// when a draw is cut off that was under way at the start, or began near the end,
// or left a step down in the middle. Of what remains at the two ends the steeper
// one counts: a draw only flattens. Less than a quarter of the rise is no part
// of it.
func (r *ramp) straight(floor float64) line {
	whole := r.span()
	one := func(i, j int) (l line, straight, enough bool) {
		l = r.fit(i, j, floor)
		enough = l.ok && l.to-l.from >= whole/4
		return l, enough && l.off <= sure && r.step(i, j, l.noise) < 0, enough
	}
	if l, straight, _ := one(0, r.count); straight {
		return l
	}
	var tail, head line
	for i := 1; !tail.ok; i++ {
		l, straight, enough := one(i, r.count)
		if !enough {
			break
		}
		if straight {
			tail = l
		}
	}
	for j := r.count - 1; !head.ok; j-- {
		l, straight, enough := one(0, j)
		if !enough {
			break
		}
		if straight {
			head = l
		}
	}
	if !tail.ok || head.ok && head.slope > tail.slope {
		return head
	}
	return tail
}

// stepped is how many standard deviations make a step down likely. A step that
// is not there costs a little accuracy, one that is overlooked a wrong flow.
const stepped = 2.8

// step is the block before which the rise through blocks i to j-1 likely steps
// down, or -1: least squares of a line with a step at each place.
func (r *ramp) step(i, j int, noise float64) int {
	var n, t, v float64
	for k := i; k < j; k++ {
		b := &r.b[k]
		n, t, v = n+b.n, t+b.t, v+b.v
	}
	mt, mv := t/n, v/n
	var tt, tv float64
	for k := i; k < j; k++ {
		b := &r.b[k]
		x, y := b.t/b.n-mt, b.v/b.n-mv
		tt += float64(b.n * x * x)
		tv += float64(b.n * x * y)
	}
	// The step is 1 from block k on; its sums with the line are those behind it.
	found, best := -1, -stepped
	var sn, st, sv float64
	for k := j - 1; k > i; k-- {
		b := &r.b[k]
		sn += b.n
		st += float64(b.n * (b.t/b.n - mt))
		sv += float64(b.n * (b.v/b.n - mv))
		ss := sn*(1-sn/n) - float64(st*st)/tt
		if !(ss > 1) {
			continue
		}
		if z := (sv - float64(st*tv)/tt) / math.Sqrt(ss) / noise; z < best {
			found, best = k, z
		}
	}
	return found
}

// recent is the line through the last seconds of the rise, if they are one.
func (r *ramp) recent(seconds, floor float64) line {
	i := r.count
	for i > 0 && r.b[r.count-1].end-r.b[i-1].begin <= seconds+r.width {
		i--
	}
	l := r.fit(i, r.count, floor)
	if !l.ok || l.to-l.from < 0.8*seconds || l.off > sure {
		return line{}
	}
	return l
}
