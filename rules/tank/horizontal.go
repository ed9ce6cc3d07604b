package tank

import "math"

// horizontal is a lying cylinder with its two heads.
type horizontal struct {
	radius, length float64
	ellipsoids     float64 // summed depth of ellipsoidal and hemispherical heads
	dished         *table  // torispherical heads together; nil: none
}

func newHorizontal(radius, length float64, heads ...curve) *horizontal {
	h := &horizontal{radius: radius, length: length}
	var dished []curve
	for _, c := range heads {
		if c.head == Torispherical {
			dished = append(dished, c)
		} else {
			h.ellipsoids += c.depth
		}
	}
	if dished != nil {
		h.dished = newTable(radius, dished)
	}
	return h
}

func (h *horizontal) height() float64 { return 2 * h.radius }

func (h *horizontal) volume(level float64) float64 {
	v := float64(h.length * segment(h.radius, level))
	v += float64(h.ellipsoids / h.radius * math.Pi * level * level * (float64(3*h.radius) - level) / 6)
	if h.dished != nil {
		v += h.dished.volume(level)
	}
	return v
}

func (h *horizontal) slope(level float64) float64 {
	square := math.Max(0, level*(float64(2*h.radius)-level))
	s := float64(2*h.length*math.Sqrt(square)) + float64(h.ellipsoids/h.radius*math.Pi*square/2)
	if h.dished != nil {
		s += h.dished.slope(level)
	}
	return s
}

// segment is the area of a circle of the given radius under a depth.
func segment(radius, depth float64) float64 {
	if depth <= 0 {
		return 0
	}
	if depth >= 2*radius {
		return math.Pi * radius * radius
	}
	angle := angleOf(radius, depth)
	return radius * radius * (angle - float64(math.Sin(angle)*math.Cos(angle)))
}

// angleOf is half the angle under which the chord at a depth is seen; near
// the bottom it stays exact where acos(1 - depth/radius) would not.
func angleOf(radius, depth float64) float64 {
	return 2 * math.Asin(math.Sqrt(math.Max(0, math.Min(1, depth/(2*radius)))))
}

// steps is the number of intervals of a table; with cubic interpolation it
// leaves an error under 1e-9 of the heads' volume.
const steps = 256

// table holds the volume of lying torispherical heads, which has no closed
// form, over the half angle of the oil's surface.
type table struct {
	radius float64
	volumes,
	slopes [steps + 1]float64 // volume and its derivative by the angle
}

func newTable(radius float64, heads []curve) *table {
	t := &table{radius: radius}
	for i := range t.volumes {
		angle := math.Pi * float64(i) / steps
		level := radius * (1 - math.Cos(angle))
		for _, c := range heads {
			v, surface := c.lying(level)
			t.volumes[i] += v
			t.slopes[i] += float64(surface * radius * math.Sin(angle))
		}
	}
	return t
}

// lying is what a head on its side holds up to a level above the bottom of
// the cylinder, and the oil's free surface in it: slices across the axis,
// integrated over dish and knuckle by the angle along each arc.
func (c curve) lying(level float64) (volume, surface float64) {
	tangent := math.Asin((c.radius - c.knuckle) / (c.dish - c.knuckle))
	slice := func(r, dz float64) {
		depth := level - (c.radius - r)
		volume += float64(segment(r, depth) * dz)
		if depth > 0 && depth < 2*r {
			surface += float64(2 * math.Sqrt(depth*(float64(2*r)-depth)) * dz)
		}
	}
	// A slice is wet from the radius |level - radius| on: the integral is
	// smooth only if it is split there.
	wet := math.Abs(level - c.radius)
	panels(0, tangent, math.Asin(math.Min(1, wet/c.dish)), func(a, w float64) {
		slice(c.dish*math.Sin(a), c.dish*math.Sin(a)*w)
	})
	split := math.Max(-1, math.Min(1, (wet-c.radius+c.knuckle)/c.knuckle))
	panels(tangent, math.Pi/2, math.Asin(split), func(a, w float64) {
		slice(c.radius-c.knuckle+float64(c.knuckle*math.Sin(a)), c.knuckle*math.Sin(a)*w)
	})
	return volume, surface
}

// panels integrates over [low, high] split at a point, by the midpoint rule
// in a variable that squeezes the nodes towards both ends of each part.
func panels(low, high, at float64, add func(x, weight float64)) {
	const n = 200
	at = math.Max(low, math.Min(high, at))
	for _, p := range [2][2]float64{{low, at}, {at, high}} {
		width := p[1] - p[0]
		if width <= 0 {
			continue
		}
		for i := range n {
			s := (float64(i) + 0.5) / n
			// The derivative 30s²(1-s)² vanishes twice at the ends, where the
			// integrand has a root; the midpoint rule is then of fourth order.
			x := s * s * s * (10 - float64(s*(15-float64(6*s))))
			add(p[0]+float64(width*x), width*30*s*s*(1-s)*(1-s)/n)
		}
	}
}

func (t *table) at(level float64) (i int, x, angle float64) {
	angle = angleOf(t.radius, level)
	x = angle * steps / math.Pi
	i = min(int(x), steps-1)
	return i, x - float64(i), angle
}

func (t *table) volume(level float64) float64 {
	const step = math.Pi / steps
	i, x, _ := t.at(level)
	a, b := t.volumes[i], t.volumes[i+1]
	da, db := t.slopes[i]*step, t.slopes[i+1]*step
	y := 1 - x
	// In the two outermost intervals the volume goes with about the fifth
	// power of the angle, which a cubic would follow through less than nothing.
	switch i {
	case 0:
		return float64(b * math.Pow(x, db/b))
	case steps - 1:
		return b - float64((b-a)*math.Pow(y, da/(b-a)))
	}
	return float64(y*y*(float64(a*(1+2*x))+float64(da*x))) + float64(x*x*(float64(b*(1+2*y))-float64(db*y)))
}

func (t *table) slope(level float64) float64 {
	i, x, angle := t.at(level)
	byAngle := t.slopes[i] + float64((t.slopes[i+1]-t.slopes[i])*x)
	if s := t.radius * math.Sin(angle); s > 0 {
		return byAngle / s
	}
	return 0
}
