package tank

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

const (
	inch   = 0.0254
	gallon = 231 * inch * inch * inch
)

// D. Jones, Calculating Tank Volume (Chemical Processing), published: inches
// and US gallons of 231 cubic inches.
func TestPublishedVolumes(t *testing.T) {
	cases := []struct {
		name  string
		shape Shape
		rows  map[float64]float64
	}{
		{"horizontal ellipsoidal", Shape{Mounting: Horizontal, Diameter: 108 * inch, Length: 156 * inch,
			Bottom: Ellipsoidal, Top: Ellipsoidal, Depth: 42 * inch},
			map[float64]float64{36: 2380.957, 54: 4203.696, 84: 7103.445, 108: 8407.392}},
		{"horizontal torispherical", Shape{Mounting: Horizontal, Diameter: 108 * inch, Length: 156 * inch,
			Bottom: Torispherical, Top: Torispherical, Dish: 1, Knuckle: 0.06},
			map[float64]float64{36: 2028.627, 84: 5939.898}},
		{"vertical ellipsoidal", Shape{Mounting: Vertical, Diameter: 132 * inch, Length: 120 * inch,
			Bottom: Ellipsoidal, Depth: 33 * inch},
			map[float64]float64{24: 783.358, 60: 2902.832}},
		{"vertical torispherical", Shape{Mounting: Vertical, Diameter: 132 * inch, Length: 120 * inch,
			Bottom: Torispherical, Dish: 1, Knuckle: 0.06},
			map[float64]float64{24: 904.069, 60: 3036.761}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			tk, err := New(c.shape)
			if err != nil {
				t.Fatal(err)
			}
			for level, want := range c.rows {
				if got := tk.Volume(level*inch) / gallon; math.Abs(got-want) > 0.001 {
					t.Errorf("%v in: %.4f gal, want %v", level, got, want)
				}
				if got := tk.Level(want*gallon) / inch; math.Abs(got-level) > 1e-4 {
					t.Errorf("%v gal: %.6f in, want %v", want, got, level)
				}
			}
		})
	}
}

// Computed independently: vertical, both heads 2:1, 1.5 m, 2.25 m between
// the tangent lines.
func TestComputedVolumes(t *testing.T) {
	tk, err := New(Shape{Diameter: 1.5, Length: 2.25, Bottom: Ellipsoidal, Top: Ellipsoidal})
	if err != nil {
		t.Fatal(err)
	}
	for level, want := range map[float64]float64{0.25: 0.229074, 0.375: 0.441786, 0.75: 1.104466,
		1.5: 2.429826, 2.25: 3.755185, 2.75: 4.630577, 3: 4.859651} {
		if got := tk.Volume(level); math.Abs(got-want) > 1e-6 {
			t.Errorf("%v m: %.7f m³, want %v", level, got, want)
		}
	}
	if tk.Height() != 3 || math.Abs(tk.Total()-4.859651) > 1e-6 {
		t.Errorf("height %v, total %v", tk.Height(), tk.Total())
	}
}

func TestShapeMakesTheSameTank(t *testing.T) {
	table := []Strap{{0, 0}, {1, 2}, {2, 3}}
	tk, err := New(Shape{Mounting: Strapped, Table: table})
	if err != nil {
		t.Fatal(err)
	}
	table[1].Volume = 2.5 // the tank has its own copy
	shape := tk.Shape()
	shape.Table[2].Volume = 9 // and gives away another one
	again, err := New(tk.Shape())
	if err != nil {
		t.Fatal(err)
	}
	if a, b := tk.Volume(1.5), again.Volume(1.5); a != 2.5 || b != a {
		t.Errorf("%v m³ and again %v m³, want 2.5", a, b)
	}
}

func TestClamping(t *testing.T) {
	tk, err := New(Shape{Diameter: 1, Length: 2})
	if err != nil {
		t.Fatal(err)
	}
	if tk.Volume(-1) != 0 || tk.Volume(9) != tk.Total() || tk.Level(-1) != 0 || tk.Level(99) != 2 {
		t.Error("outside the tank is not clamped to its ends")
	}
	if !math.IsNaN(tk.Volume(math.NaN())) || !math.IsNaN(tk.Level(math.NaN())) {
		t.Error("NaN became a number")
	}
}

func TestWrongShapes(t *testing.T) {
	cases := []struct {
		name, want string
		shape      Shape
	}{
		{"no diameter", "diameter", Shape{Length: 1}},
		{"negative length", "length", Shape{Diameter: 1, Length: -1}},
		{"no volume", "no inside volume", Shape{Diameter: 1}},
		{"not a number", "diameter", Shape{Diameter: math.NaN(), Length: 1}},
		{"head depth", "head depth", Shape{Diameter: 1, Length: 1, Top: Ellipsoidal, Depth: -1}},
		{"dish", "dish radius", Shape{Diameter: 1, Length: 1, Top: Torispherical, Dish: 0.3}},
		{"knuckle", "knuckle radius", Shape{Diameter: 1, Length: 1, Top: Torispherical, Knuckle: 0.6}},
		{"head form", "head form", Shape{Diameter: 1, Length: 1, Top: 9}},
		{"mounting", "mounting", Shape{Diameter: 1, Length: 1, Mounting: 9}},
		{"one row", "two rows", Shape{Mounting: Strapped, Table: []Strap{{0, 0}}}},
		{"falling", "row 3", Shape{Mounting: Strapped, Table: []Strap{{0, 0}, {1, 2}, {2, 1.5}}}},
		{"negative row", "row 1", Shape{Mounting: Strapped, Table: []Strap{{-1, 0}, {1, 2}}}},
		{"empty above zero", "row 1", Shape{Mounting: Strapped, Table: []Strap{{0.5, 0}, {1, 2}}}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if _, err := New(c.shape); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want one that names %q", err, c.want)
			}
		})
	}
}

func anyShape(t *rapid.T) Shape {
	heads := rapid.SampledFrom([]Head{Flat, Ellipsoidal, Hemispherical, Torispherical})
	return Shape{
		Mounting: rapid.SampledFrom([]Mounting{Vertical, Horizontal}).Draw(t, "mounting"),
		Diameter: rapid.Float64Range(0.2, 5).Draw(t, "diameter"),
		Length:   rapid.Float64Range(0.1, 12).Draw(t, "length"),
		Bottom:   heads.Draw(t, "bottom"),
		Top:      heads.Draw(t, "top"),
		Depth:    rapid.Float64Range(0, 2).Draw(t, "depth"),
		Dish:     rapid.Float64Range(0.5, 1.2).Draw(t, "dish"),
		Knuckle:  rapid.Float64Range(0.03, 0.4).Draw(t, "knuckle"),
	}
}

// Level to volume to level comes back everywhere, and more level is never
// less volume.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tk, err := New(anyShape(t))
		if err != nil {
			t.Fatal(err)
		}
		for range 20 {
			level := tk.Height() * rapid.Float64Range(0, 1).Draw(t, "level")
			v := tk.Volume(level)
			// At the very top the free surface vanishes and the volume's last
			// digit is worth a micrometre or two.
			if back := tk.Level(v); math.Abs(back-level) > 2e-7*tk.Height()+1e-9 {
				t.Fatalf("%v m -> %v m³ -> %v m", level, v, back)
			}
			up := tk.Volume(level + 0.001*tk.Height())
			if up < v {
				t.Fatalf("volume falls from %v to %v above %v m", v, up, level)
			}
		}
	})
}

// The first micrometres in a lying dished head are something, and more with
// each further one; near the top the same is missing.
func TestDishedHeadAlmostEmpty(t *testing.T) {
	for _, knuckle := range []float64{0.06, 0.1, 0.4} {
		tk, err := New(Shape{Mounting: Horizontal, Diameter: 5, Length: 0.125, Bottom: Torispherical, Dish: 1.2, Knuckle: knuckle})
		if err != nil {
			t.Fatal(err)
		}
		head, err := torispherical(5, 1.2, knuckle)
		if err != nil {
			t.Fatal(err)
		}
		heads := tk.form.(*horizontal).dished
		last := 0.0
		for level := 1e-5; level < 0.02; level *= 1.1 {
			v := heads.volume(level)
			if v <= last {
				t.Errorf("knuckle %v: %v m³ at %v m after %v", knuckle, v, level, last)
			}
			if sum := v + heads.volume(5-level); math.Abs(sum/heads.volume(5)-1) > 1e-9 {
				t.Errorf("knuckle %v: mirrored at %v m it is %v of the whole", knuckle, level, sum/heads.volume(5))
			}
			if want, _ := head.lying(level); math.Abs(v/want-1) > 0.02 {
				t.Errorf("knuckle %v: %v m³ at %v m, the integral gives %v", knuckle, v, level, want)
			}
			last = v
		}
	}
}

// A lying tank is its own mirror image: what is under a level and what is
// above the mirrored one are the same.
func TestMirror(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyShape(t)
		s.Mounting = Horizontal
		tk, err := New(s)
		if err != nil {
			t.Fatal(err)
		}
		level := tk.Height() * rapid.Float64Range(0, 1).Draw(t, "level")
		if sum := tk.Volume(level) + tk.Volume(tk.Height()-level); math.Abs(sum/tk.Total()-1) > 2e-9 {
			t.Fatalf("%v m³ of %v at %v m", sum, tk.Total(), level)
		}
	})
}

// slope is the derivative of volume.
func TestSlope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tk, err := New(anyShape(t))
		if err != nil {
			t.Fatal(err)
		}
		level := tk.Height() * rapid.Float64Range(0.01, 0.99).Draw(t, "level")
		d := 1e-4 * tk.Height()
		got := (tk.Volume(level+d) - tk.Volume(level-d)) / (2 * d)
		low, high := tk.form.slope(level-d), tk.form.slope(level+d)
		slack := 2e-3 * tk.Total() / tk.Height()
		if got < min(low, high, tk.form.slope(level))-slack || got > max(low, high, tk.form.slope(level))+slack {
			t.Fatalf("slope %v at %v m, want between %v and %v", got, level, low, high)
		}
	})
}

func TestStrapping(t *testing.T) {
	tk, err := New(Shape{Mounting: Strapped, Table: []Strap{{0, 0}, {0.5, 0.3}, {1, 0.9}, {2, 2.5}}})
	if err != nil {
		t.Fatal(err)
	}
	for level, want := range map[float64]float64{0: 0, 0.25: 0.15, 0.5: 0.3, 0.75: 0.6, 1.5: 1.7, 2: 2.5} {
		if got := tk.Volume(level); math.Abs(got-want) > 1e-12 {
			t.Errorf("%v m: %v m³, want %v", level, got, want)
		}
		if got := tk.Level(want); math.Abs(got-level) > 1e-9 {
			t.Errorf("%v m³: %v m, want %v", want, got, level)
		}
	}
	heel, err := New(Shape{Mounting: Strapped, Table: []Strap{{0, 0.1}, {1, 1.1}}})
	if err != nil {
		t.Fatal(err)
	}
	if heel.Volume(0) != 0.1 || heel.Level(0.05) != 0 || heel.Volume(-1) != 0.1 {
		t.Error("a table with a heel must keep it")
	}
}

func FuzzVolume(f *testing.F) {
	f.Add(uint8(0), 1.5, 2.25, uint8(1), uint8(1), 0.0, 0.0, 0.0, 1.0)
	f.Add(uint8(1), 2.7, 4.0, uint8(3), uint8(2), 1.0, 1.0, 0.06, 0.5)
	f.Fuzz(func(t *testing.T, m uint8, d, l float64, a, b uint8, depth, dish, knuckle, level float64) {
		tk, err := New(Shape{Mounting: Mounting(m), Diameter: d, Length: l, Bottom: Head(a), Top: Head(b),
			Depth: depth, Dish: dish, Knuckle: knuckle})
		if err != nil {
			return
		}
		v := tk.Volume(level)
		if !math.IsNaN(level) && !(v >= 0 && v <= tk.Total()) {
			t.Fatalf("volume %v of %v at %v m", v, tk.Total(), level)
		}
		if h := tk.Level(v); !math.IsNaN(v) && !(h >= 0 && h <= tk.Height()) {
			t.Fatalf("level %v of %v", h, tk.Height())
		}
	})
}

func BenchmarkLevelHorizontalTorispherical(b *testing.B) {
	tk, err := New(Shape{Mounting: Horizontal, Diameter: 1.5, Length: 2, Bottom: Torispherical, Top: Torispherical})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	v := 0.0
	for b.Loop() {
		v += 0.001
		if v > tk.Total() {
			v = 0
		}
		tk.Level(v)
	}
}

func BenchmarkLevelVertical(b *testing.B) {
	tk, err := New(Shape{Diameter: 1.5, Length: 2, Bottom: Ellipsoidal, Top: Ellipsoidal})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	v := 0.0
	for b.Loop() {
		v += 0.001
		if v > tk.Total() {
			v = 0
		}
		tk.Level(v)
	}
}
