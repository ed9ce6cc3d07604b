package simulator

import "math"

// cuts is how many horizontal slices a tank is cut into.
const cuts = 4096

// geometry holds a tank's volume by height and height by volume, both from
// adding up thin slices; nothing here is a closed formula of a volume.
type geometry struct {
	height, volume float64
	shell          float64 // m², inside surface
	byHeight       [cuts + 1]float64
	byVolume       [cuts + 1]float64
}

func newGeometry(t Tank) *geometry {
	g := &geometry{height: t.Diameter}
	if !t.Horizontal {
		g.height = t.Length + t.Heads[0] + t.Heads[1]
	}
	step := g.height / cuts
	for i := range cuts {
		y := float64(i) * step
		g.byHeight[i+1] = g.byHeight[i] + step/6*(t.plane(y)+4*t.plane(y+step/2)+t.plane(y+step))
	}
	g.volume = g.byHeight[cuts]
	for i, j := 0, 0; i <= cuts; i++ {
		want := g.volume * float64(i) / cuts
		for j < cuts-1 && g.byHeight[j+1] < want {
			j++
		}
		part := (want - g.byHeight[j]) / (g.byHeight[j+1] - g.byHeight[j])
		g.byVolume[i] = (float64(j) + part) * step
	}
	// The heads' surface as flat discs a third larger, near enough for heat.
	g.shell = math.Pi*t.Diameter*t.Length + 2*1.33*math.Pi/4*t.Diameter*t.Diameter
	return g
}

// plane is the area of the horizontal cut at height y.
func (t Tank) plane(y float64) float64 {
	r := t.Diameter / 2
	if t.Horizontal {
		w := math.Sqrt(math.Max(0, r*r-(y-r)*(y-r)))
		return 2*w*t.Length + math.Pi/2*w*w/r*(t.Heads[0]+t.Heads[1])
	}
	beyond, depth := t.Heads[0]-y, t.Heads[0]
	if y > t.Heads[0]+t.Length {
		beyond, depth = y-t.Heads[0]-t.Length, t.Heads[1]
	}
	if beyond > 0 && depth > 0 {
		r *= math.Sqrt(math.Max(0, 1-beyond*beyond/(depth*depth)))
	}
	return math.Pi * r * r
}

// volumeAt is the volume under the level h.
func (g *geometry) volumeAt(h float64) float64 { return lookup(g.byHeight[:], h/g.height) }

// levelAt is the level at which the volume v stands.
func (g *geometry) levelAt(v float64) float64 { return lookup(g.byVolume[:], v/g.volume) }

// lookup interpolates an even table at x in 0..1.
func lookup(table []float64, x float64) float64 {
	x = math.Min(math.Max(x, 0), 1) * cuts
	i := min(int(x), cuts-1)
	return table[i] + (x-float64(i))*(table[i+1]-table[i])
}
