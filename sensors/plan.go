package sensors

import (
	"cmp"
	"slices"

	"strokebank/sensors/register"
)

// The most that one read may ask for: MODBUS Application Protocol V1.1b3,
// clauses 6.1 to 6.4.
const (
	maxRegisters = 125
	maxBits      = 2000
)

// Request is one read: Count registers (or bits) of a table from Address on,
// zero-based. Points are the indices of the points that it serves, in the
// slice that was planned.
type Request struct {
	Link    string
	Device  uint8
	Table   register.Table
	Address uint16
	Count   uint16
	Points  []int
}

// Plan is the fewest reads that cover all points. A read covers one table of
// one device, at most 125 registers or 2000 bits, and never crosses a run of
// more than gap unwanted registers (16 bits each); gap 0 merges only what
// touches. The specs must have passed their Check.
//
// Going up the addresses and stretching each read as far as it goes is optimal:
// some read must begin at the lowest point not yet covered, and one that
// stretches further leaves no more to the rest.
func Plan(points []Point, gap int) []Request {
	order := make([]int, len(points))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return byPlace(points[a], points[b]) })
	var plan []Request
	for _, i := range order {
		if n := len(plan); n == 0 || !plan[n-1].take(i, points[i], gap) {
			plan = append(plan, requestFor(i, points[i]))
		}
	}
	return plan
}

func byPlace(a, b Point) int {
	return cmp.Or(
		cmp.Compare(a.Link, b.Link), cmp.Compare(a.Device, b.Device),
		cmp.Compare(a.Spec.Table, b.Spec.Table), cmp.Compare(a.Spec.Address, b.Spec.Address),
		cmp.Compare(a.Spec.Width(), b.Spec.Width()))
}

func requestFor(i int, p Point) Request {
	return Request{Link: p.Link, Device: p.Device, Table: p.Spec.Table,
		Address: p.Spec.Address, Count: uint16(p.Spec.Width()), Points: []int{i}}
}

// take stretches the read over point i, which comes next, or reports false.
func (r *Request) take(i int, p Point, gap int) bool {
	if p.Link != r.Link || p.Device != r.Device || p.Spec.Table != r.Table {
		return false
	}
	limit := maxRegisters
	if r.Table == register.Coils || r.Table == register.DiscreteInputs {
		limit, gap = maxBits, 16*gap
	}
	first := int(p.Spec.Address) - int(r.Address)
	count := max(int(r.Count), first+p.Spec.Width())
	if count > limit || first-int(r.Count) > gap {
		return false
	}
	r.Count = uint16(count)
	r.Points = append(r.Points, i)
	return true
}

// split cuts a read that the device refused into smaller ones: its islands,
// which hold no unwanted register, or if it is one island, two halves, down to
// single values. It is nil where nothing is left to cut.
func split(points []Point, r Request) []Request {
	var islands []Request
	for _, i := range r.Points {
		if n := len(islands); n == 0 || !islands[n-1].take(i, points[i], 0) {
			islands = append(islands, requestFor(i, points[i]))
		}
	}
	if len(islands) > 1 {
		return islands
	}
	return halves(points, r)
}

func halves(points []Point, r Request) []Request {
	// Points on the same registers (bits of one word) stay together.
	var places []int // where in r.Points a new place begins
	for k, i := range r.Points {
		if k == 0 || byPlace(points[r.Points[k-1]], points[i]) != 0 {
			places = append(places, k)
		}
	}
	if len(places) < 2 {
		return nil
	}
	middle := places[len(places)/2]
	return []Request{join(points, r.Points[:middle]), join(points, r.Points[middle:])}
}

// join is one read over points that are known to fit into one.
func join(points []Point, indices []int) Request {
	r := requestFor(indices[0], points[indices[0]])
	for _, i := range indices[1:] {
		r.take(i, points[i], maxRegisters)
	}
	return r
}
