package sensors

import "slices"

// alike reports whether the answers to two reads of one device look the same.
func alike(a, b Request) bool {
	return a.Table == b.Table && dataLength(a) == dataLength(b)
}

// apart orders the reads of one device so that neighbours differ in function
// or length where they can: should a device on a line be later than its owner
// was told, the late answer does not fit the next question. The order of what
// is alike stays.
func apart(plan []Request) []Request {
	var kinds [][]Request
	for _, r := range plan {
		k := slices.IndexFunc(kinds, func(kind []Request) bool { return alike(kind[0], r) })
		if k < 0 {
			kinds = append(kinds, nil)
			k = len(kinds) - 1
		}
		kinds[k] = append(kinds[k], r)
	}
	order := make([]Request, 0, len(plan))
	last := -1
	for len(order) < len(plan) {
		// Of the kinds but the last one, that with the most left.
		best := -1
		for k := range kinds {
			if len(kinds[k]) > 0 && k != last && (best < 0 || len(kinds[k]) > len(kinds[best])) {
				best = k
			}
		}
		if best < 0 {
			best = last
		}
		order = append(order, kinds[best][0])
		kinds[best] = kinds[best][1:]
		last = best
	}
	return order
}

// startApart lets the device be asked first, next time, what is not alike to
// a read that it owes, where there is such a thing.
func (d *device) startApart(r Request) {
	for i := range d.asks {
		if !alike(d.asks[i].Request, r) {
			d.asks = slices.Concat(d.asks[i:], d.asks[:i])
			return
		}
	}
}
