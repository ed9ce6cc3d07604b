package tank

import "math"

// curve is the profile of one head: a surface of revolution from its apex
// (z = 0) to the tangent line (z = depth).
type curve struct {
	head    Head
	radius  float64 // at the tangent line
	depth   float64
	dish    float64 // torispherical: radius of the dish
	knuckle float64 // torispherical: radius of the knuckle
	join    float64 // torispherical: z where dish and knuckle meet
}

// square is the squared radius at z from the apex.
func (c curve) square(z float64) float64 {
	switch {
	case c.depth == 0:
		return c.radius * c.radius
	case c.head != Torispherical:
		x := 1 - z/c.depth
		return c.radius * c.radius * math.Max(0, 1-float64(x*x))
	case z < c.join:
		return math.Max(0, z*(float64(2*c.dish)-z))
	}
	u := c.depth - z
	r := c.radius - c.knuckle + math.Sqrt(math.Max(0, float64(c.knuckle*c.knuckle)-float64(u*u)))
	return r * r
}

// volume is what the head holds between its apex and z, standing on the apex.
func (c curve) volume(z float64) float64 {
	switch {
	case c.depth == 0:
		return 0
	case c.head != Torispherical:
		// Segment of an ellipsoid of revolution.
		x := z / c.depth
		return math.Pi * c.radius * c.radius * c.depth * x * x * (1 - x/3)
	case z <= c.join:
		// Segment of a sphere.
		return math.Pi * z * z * (c.dish - z/3)
	}
	return float64(math.Pi*c.join*c.join*(c.dish-c.join/3)) + c.torus(c.depth-c.join) - c.torus(c.depth-z)
}

// torus is the volume inside the knuckle from the tangent line to u below it.
func (c curve) torus(u float64) float64 {
	k, a := c.knuckle, c.radius-c.knuckle
	s := math.Min(1, u/k)
	arc := (float64(s*math.Sqrt(1-float64(s*s))) + math.Asin(s)) * k * k / 2
	return math.Pi * (float64((float64(a*a)+float64(k*k))*u) + float64(2*a*arc) - u*u*u/3)
}

// vertical is a standing cylinder with its two heads.
type vertical struct {
	radius, length float64
	bottom, top    curve
	lower, middle  float64 // volumes of the bottom head and of the cylinder
}

func newVertical(radius, length float64, bottom, top curve) *vertical {
	return &vertical{
		radius: radius, length: length, bottom: bottom, top: top,
		lower: bottom.volume(bottom.depth), middle: float64(math.Pi * radius * radius * length),
	}
}

func (v *vertical) height() float64 { return v.bottom.depth + v.length + v.top.depth }

func (v *vertical) volume(level float64) float64 {
	if level <= v.bottom.depth {
		return v.bottom.volume(level)
	}
	level -= v.bottom.depth
	if level <= v.length {
		return v.lower + float64(math.Pi*v.radius*v.radius*level)
	}
	level -= v.length
	rest := math.Max(0, v.top.depth-level)
	return v.lower + v.middle + v.top.volume(v.top.depth) - v.top.volume(rest)
}

func (v *vertical) slope(level float64) float64 {
	if level < v.bottom.depth {
		return math.Pi * v.bottom.square(level)
	}
	level -= v.bottom.depth
	if level <= v.length {
		return math.Pi * v.radius * v.radius
	}
	return math.Pi * v.top.square(math.Max(0, v.top.depth-(level-v.length)))
}
