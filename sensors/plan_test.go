package sensors

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

func at(table register.Table, addr uint16, f register.Format) Point {
	return Point{ID: signal.ID(fmt.Sprint(table, addr, f)), Link: "panel", Device: 1,
		Spec: register.Spec{Table: table, Address: addr, Format: f}}
}

func TestPlan(t *testing.T) {
	holding := func(addr uint16, f register.Format) Point { return at(register.HoldingRegisters, addr, f) }
	coil := func(addr uint16) Point { return at(register.Coils, addr, register.Bit) }
	other := holding(1, register.Int16)
	other.Device = 2
	elsewhere := holding(1, register.Int16)
	elsewhere.Link = "annex"
	tests := []struct {
		name   string
		points []Point
		gap    int
		want   string // address+count of each read
	}{
		{"nothing", nil, 8, "[]"},
		{"neighbours in any order", []Point{holding(2, register.Float32), holding(0, register.Float32)}, 0, "[0+4]"},
		{"a hole is not crossed", []Point{holding(0, register.Int16), holding(2, register.Int16)}, 0, "[0+1 2+1]"},
		{"a hole is crossed", []Point{holding(0, register.Int16), holding(2, register.Int16)}, 1, "[0+3]"},
		{"a hole too wide", []Point{holding(0, register.Int16), holding(3, register.Int16)}, 1, "[0+1 3+1]"},
		{"bits of one word", []Point{holding(7, register.Bit), holding(7, register.Bit), holding(7, register.Uint16)}, 0, "[7+1]"},
		{"one inside another", []Point{holding(4, register.Float64), holding(5, register.Int16), holding(8, register.Int16)}, 0, "[4+5]"},
		{"exactly 125 registers", []Point{holding(0, register.Int16), holding(123, register.Int32)}, 200, "[0+125]"},
		{"126 registers", []Point{holding(0, register.Int16), holding(124, register.Int32)}, 200, "[0+1 124+2]"},
		{"exactly 2000 bits", []Point{coil(0), coil(1999)}, 200, "[0+2000]"},
		{"2001 bits", []Point{coil(0), coil(2000)}, 200, "[0+1 2000+1]"},
		{"16 bits a register of gap", []Point{coil(0), coil(17)}, 1, "[0+18]"},
		{"17 bits are too many", []Point{coil(0), coil(18)}, 1, "[0+1 18+1]"},
		{"the last address", []Point{holding(65532, register.Float64), holding(65530, register.Int16)}, 1, "[65530+6]"},
		{"two devices", []Point{holding(0, register.Int16), other}, 8, "[0+1 1+1]"},
		{"two links", []Point{holding(0, register.Int16), elsewhere}, 8, "[1+1 0+1]"},
		{"two tables", []Point{holding(0, register.Int16), at(register.InputRegisters, 1, register.Int16)}, 8, "[0+1 1+1]"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := []string{}
			for _, r := range Plan(tt.points, tt.gap) {
				got = append(got, fmt.Sprintf("%d+%d", r.Address, r.Count))
			}
			if fmt.Sprint(got) != tt.want {
				t.Errorf("got %v, want %s", got, tt.want)
			}
		})
	}
}

// fits reports whether the points can be one read, straight from the rules.
func fits(points []Point, gap int) bool {
	wanted := make(map[int]bool)
	first, last := 1<<20, -1
	for _, p := range points {
		for a := int(p.Spec.Address); a < int(p.Spec.Address)+p.Spec.Width(); a++ {
			wanted[a], first, last = true, min(first, a), max(last, a)
		}
	}
	for a, run := first, 0; a <= last; a++ {
		if run++; wanted[a] {
			run = 0
		}
		if run > gap {
			return false
		}
	}
	return last-first+1 <= 125
}

// fewest tries every way to part the points into reads.
func fewest(points []Point, gap int, groups [][]Point) int {
	if len(points) == 0 {
		for _, g := range groups {
			if !fits(g, gap) {
				return 1 << 20
			}
		}
		return len(groups)
	}
	best := fewest(points[1:], gap, append(slices.Clone(groups), points[:1]))
	for i := range groups {
		longer := slices.Clone(groups)
		longer[i] = append(slices.Clone(groups[i]), points[0])
		best = min(best, fewest(points[1:], gap, longer))
	}
	return best
}

func TestPlanIsOptimal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spread := rapid.SampledFrom([]int{12, 60, 300}).Draw(t, "spread")
		gap := rapid.SampledFrom([]int{0, 1, 4, 30, 125}).Draw(t, "gap")
		points := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Point {
			return at(register.HoldingRegisters, uint16(rapid.IntRange(0, spread).Draw(t, "address")),
				rapid.SampledFrom([]register.Format{register.Bit, register.Int16, register.Float32, register.Float64}).Draw(t, "format"))
		}), 1, 6).Draw(t, "points")
		plan := Plan(points, gap)
		served := make(map[int]int)
		for _, r := range plan {
			var group []Point
			for _, i := range r.Points {
				served[i]++
				group = append(group, points[i])
				s := points[i].Spec
				if s.Address < r.Address || int(s.Address)+s.Width() > int(r.Address)+int(r.Count) {
					t.Fatalf("point %d (%+v) is not inside its read %+v", i, s, r)
				}
			}
			if !fits(group, gap) {
				t.Fatalf("read %+v breaks a limit", r)
			}
		}
		for i := range points {
			if served[i] != 1 {
				t.Fatalf("point %d is served %d times", i, served[i])
			}
		}
		if want := fewest(points, gap, nil); len(plan) != want {
			t.Fatalf("%d reads, %d are enough: %+v", len(plan), want, plan)
		}
	})
}

// Cutting a refused read ends with single values, and loses no point.
func TestSplitReachesEveryValue(t *testing.T) {
	points := []Point{
		at(register.HoldingRegisters, 0, register.Float32), at(register.HoldingRegisters, 2, register.Float32),
		at(register.HoldingRegisters, 4, register.Int16), at(register.HoldingRegisters, 8, register.Bit),
		at(register.HoldingRegisters, 8, register.Bit), at(register.HoldingRegisters, 20, register.Float64),
	}
	pending := Plan(points, 30)
	if len(pending) != 1 {
		t.Fatalf("want one read: %+v", pending)
	}
	islands := split(points, pending[0])
	if got := fmt.Sprint(islands); got != "[{panel 1 holding register 0 5 [0 1 2]} {panel 1 holding register 8 1 [3 4]} {panel 1 holding register 20 4 [5]}]" {
		t.Errorf("islands %s", got)
	}
	var singles []Request
	for len(pending) > 0 {
		r := pending[0]
		pending = pending[1:]
		if parts := split(points, r); parts != nil {
			pending = append(pending, parts...)
		} else {
			singles = append(singles, r)
		}
	}
	slices.SortFunc(singles, func(a, b Request) int { return int(a.Address) - int(b.Address) })
	if got := fmt.Sprint(singles); got != "[{panel 1 holding register 0 2 [0]} {panel 1 holding register 2 2 [1]} "+
		"{panel 1 holding register 4 1 [2]} {panel 1 holding register 8 1 [3 4]} {panel 1 holding register 20 4 [5]}]" {
		t.Errorf("singles %s", got)
	}
}

// sixty is a unit's worth of points as a panel would offer them: 12 analogue
// values as floats, 16 contacts in two status words, 32 discrete inputs.
func sixty(link string) []Point {
	var points []Point
	add := func(s register.Spec) {
		points = append(points, Point{ID: signal.ID(fmt.Sprint("p", len(points))), Link: link, Device: 1, Spec: s})
	}
	for i := range 12 {
		add(register.Spec{Table: register.InputRegisters, Address: uint16(100 + 2*i), Format: register.Float32, Unit: signal.Pascal, Factor: 1e5})
	}
	for i := range 16 {
		add(register.Spec{Table: register.InputRegisters, Address: uint16(130 + i/8), BitNumber: uint8(i % 8), Unit: signal.Boolean})
	}
	for i := range 32 {
		add(register.Spec{Table: register.DiscreteInputs, Address: uint16(i + i/8), Unit: signal.Boolean})
	}
	return points
}

func TestSixtyPointsInTwoReads(t *testing.T) {
	if plan := Plan(sixty("panel"), 8); len(plan) != 2 {
		t.Errorf("got %+v", plan)
	}
}

func BenchmarkPlan(b *testing.B) {
	points := sixty("panel")
	b.Run("points=60", func(b *testing.B) {
		b.ReportAllocs()
		var plan []Request
		for b.Loop() {
			plan = Plan(points, 8)
		}
		b.ReportMetric(float64(len(plan)), "transactions")
	})
}
