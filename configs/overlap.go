package configs

import (
	"fmt"

	"strokebank/sensors"
	"strokebank/sensors/register"
)

// cell is one register, coil or discrete input of one device.
type cell struct {
	link    string
	device  uint8
	table   register.Table
	address int
}

// checkOverlaps reports points that read what another point reads: two
// numbers in one register, a number over the bits of a status word, or two
// contacts on one bit. places are where the points stand in the file.
func checkOverlaps(points []sensors.Point, places []value) {
	type use struct {
		index int
		bit   int // -1: the whole register
	}
	uses := map[cell][]use{}
	for i, p := range points {
		bit := -1
		if p.Spec.Format == register.Bit {
			bit = int(p.Spec.BitNumber)
		}
		other := -1
		for a := range p.Spec.Width() {
			c := cell{p.Link, p.Device, p.Spec.Table, int(p.Spec.Address) + a}
			for _, u := range uses[c] {
				if other < 0 && (u.bit == bit || u.bit < 0 || bit < 0) {
					other = u.index
				}
			}
			uses[c] = append(uses[c], use{i, bit})
		}
		if other >= 0 {
			what := "reads registers of " + string(points[other].ID)
			if bit >= 0 && points[other].Spec.Format == register.Bit {
				what = "reads the same bit as " + string(points[other].ID)
			}
			places[i].problem(fmt.Sprintf("%s (line %d)", what, places[other].at.Line),
				"correct one of the two places; numbering of the link and format are worth a look too")
		}
	}
}
