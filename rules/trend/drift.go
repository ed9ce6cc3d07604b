package trend

const (
	leastDays = 14 // with a value, before a line is drawn
	bendDays  = 6  // the shortest decline that is tried
	// stated is the confidence of every interval that is shown.
	stated = 0.95
	// onset is by how much, in residual variances, a longer decline may fit
	// worse than the best one and still be taken: about one standard error.
	onset = 1.0
)

// drift finds the present straight line in daily medians. It owns the room to
// do it in.
type drift struct {
	x, y    [keptDays]float64
	scratch [keptDays * (keptDays - 1) / 2]float64
	last    float64 // x of the newest point
	bent    int     // days since the line took its present slope
}

// find returns the line of the last days and its test for a trend. The line
// stands on the days since the series last bent, so that the time before a
// decline began does not flatten it, and a steady decline gets all its days;
// but on leastDays at least.
func (f *drift) find(days *Days) (Line, Kendall) {
	n := days.points(&f.x, &f.y)
	if n < leastDays {
		return Line{Reason: tooFew, N: n}, Kendall{Reason: tooFew, N: n}
	}
	f.last = f.x[n-1]
	f.bent = bend(f.x[:n], f.y[:n])
	from := n - max(f.bent, leastDays)
	return theilSen(f.x[from:n], f.y[from:n], stated, f.scratch[:]), MannKendall(f.y[from:n])
}

// bend fits level-then-line by least squares for every day on which the line
// may have begun, and returns how many days it has: the most that fit about as
// well as the best.
func bend(x, y []float64) int {
	n := len(x)
	best, rss := n, [keptDays + 1]float64{}
	for w := bendDays; w <= n; w++ {
		rss[w] = hinge(x, y, n-w)
		if rss[w] < rss[best] || w == bendDays {
			best = w
		}
	}
	allowed := rss[best] * (1 + onset/float64(n-3))
	for w := n; w > best; w-- {
		if rss[w] <= allowed {
			return w
		}
	}
	return best
}

// hinge is the residual sum of squares of y = a + b max(0, x - x[from]).
func hinge(x, y []float64, from int) float64 {
	n := float64(len(x))
	var sh, shh, sy, syy, shy float64
	y0 := y[0] // keeps the sums small
	for i := range x {
		h, v := 0.0, y[i]-y0
		if i > from {
			h = x[i] - x[from]
		}
		sh, shh, sy, syy, shy = sh+h, shh+h*h, sy+v, syy+v*v, shy+h*v
	}
	hh, hy, yy := shh-sh*sh/n, shy-sh*sy/n, syy-sy*sy/n
	if !(hh > 0) {
		return max(0, yy)
	}
	return max(0, yy-hy*hy/hh)
}
