package trend

// windows are the spans, in days with a value, over which a drift is looked
// for, the longest one that is still straight being used.
var windows = [...]int{14, 20, 28, 40, 56, 80, 112, keptDays}

const (
	// straight is the confidence within which the slopes of the shorter
	// windows must hold that of the longer one.
	straight = 0.80
	// stated is the confidence of every interval that is shown.
	stated = 0.95
)

// drift finds straight lines in daily medians. It owns the room to do it in.
type drift struct {
	x, y    [keptDays]float64
	scratch [keptDays * (keptDays - 1) / 2]float64
	last    float64 // x of the newest point
}

// find returns the line of the last days and its test for a trend. The window
// is the longest one whose slope lies in the limits of all shorter ones (the
// method of Lepski 1990; from memory), so that the time before a decline began
// does not flatten the slope, and a steady decline gets all its days.
func (f *drift) find(days *Days) (Line, Kendall) {
	n := days.points(&f.x, &f.y)
	if n > 0 {
		f.last = f.x[n-1]
	}
	low, high := -1.0, 1.0
	line, test := Line{Reason: tooFew, N: n}, Kendall{Reason: tooFew, N: n}
	for _, w := range windows {
		if w > n {
			break
		}
		x, y := f.x[n-w:n], f.y[n-w:n]
		l := theilSen(x, y, straight, f.scratch[:])
		if !l.Known || (line.Known && !(l.Slope >= low && l.Slope <= high)) {
			break
		}
		low, high = max(low, l.Low), min(high, l.High)
		line = l
	}
	if !line.Known {
		return line, test
	}
	x, y := f.x[n-line.N:n], f.y[n-line.N:n]
	return theilSen(x, y, stated, f.scratch[:]), MannKendall(y)
}
