package reliability

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"strokebank/sensors/signal"
)

// Counted is a number of failures with what it means over a time. Only
// confirmed ones count; IfConfirmed is how it would be if those that nobody
// has confirmed or rejected were failures too.
type Counted struct {
	Mode        string   `json:"failure_mode,omitempty"` // empty: of all modes
	Confirmed   int      `json:"confirmed"`
	Unconfirmed int      `json:"unconfirmed"`
	MTBF        Estimate `json:"mtbf_hours"`
	Rate        Estimate `json:"rate_per_hour"`
	IfConfirmed Estimate `json:"mtbf_hours_if_confirmed"`
}

// Proof is the time between starts of a machine that succeeded.
type Proof struct {
	Intervals int           `json:"intervals"`
	Mean      signal.Number `json:"mean_hours"`
	Longest   signal.Number `json:"longest_hours"`
	// Weighted is the mean with each interval weighted by its length: a demand
	// falls into a long one more likely than into a short one.
	Weighted signal.Number `json:"weighted_hours"`
	Reason   string        `json:"reason,omitempty"`
}

// Life is the figures of one position.
type Life struct {
	Position   string  `json:"position"`
	Observed   float64 `json:"observed_hours"` // of the time asked for, that somebody watched
	Unobserved float64 `json:"unobserved_hours"`
	Operating  float64 `json:"operating_hours"`
	Doubt      float64 `json:"doubt_hours"` // by so much operating may be short

	Starts    int       `json:"starts"`  // that were seen
	Demands   int       `json:"demands"` // starts, and failures to start
	PerDemand Estimate  `json:"failure_to_start_per_demand"`
	All       Counted   `json:"all_modes"`
	Modes     []Counted `json:"by_mode"` // that occurred
	Trend     Trend     `json:"laplace"`
	Growth    PowerLaw  `json:"power_law"`
	Proof     Proof     `json:"proof_interval"`

	Repairs int           `json:"repairs"` // with a known time
	Down    signal.Number `json:"mean_down_time_hours"`
}

func confirmed(f *Failed) bool { return f.Confirmed }

// Life is the figures so far, at a confidence.
func (r *Record) Life(confidence float64) Life {
	l := Life{Position: r.m.Position, Operating: r.operating, Doubt: r.doubt, Starts: r.starts, Unobserved: r.blind(), Down: signal.Unknown()}
	l.Observed = math.Max(r.span.To.Sub(r.span.From).Hours()-l.Unobserved, 0)
	l.All = r.counted("", l.Operating, confidence)
	for _, mode := range r.modes() {
		l.Modes = append(l.Modes, r.counted(mode, l.Operating, confidence))
	}
	missed := r.count(func(f *Failed) bool { return f.Confirmed && f.Mode == "FTS" })
	l.Demands = l.Starts + missed
	l.PerDemand = PerDemand(missed, l.Demands, confidence)
	ages, _, _ := r.ages(confirmed)
	l.Trend = Laplace(ages, l.Operating)
	l.Growth = FitPowerLaw(ages, l.Operating, confidence)
	l.Proof = r.proof(l.Observed)
	l.Repairs, l.Down = r.repairs(confirmed)
	return l
}

// counted is the failures of a mode over a time.
func (r *Record) counted(mode string, hours, confidence float64) Counted {
	of := func(confirmed bool) func(*Failed) bool {
		return func(f *Failed) bool { return f.Confirmed == confirmed && (mode == "" || f.Mode == mode) }
	}
	return count(mode, r.count(of(true)), r.count(of(false)), hours, confidence)
}

func count(mode string, confirmed, unconfirmed int, hours, confidence float64) Counted {
	mtbf := MTBF(hours, confirmed, confidence)
	return Counted{Mode: mode, Confirmed: confirmed, Unconfirmed: unconfirmed, MTBF: mtbf, Rate: mtbf.Rate(),
		IfConfirmed: MTBF(hours, confirmed+unconfirmed, confidence)}
}

// proof sums the intervals up. A machine that has not started for longer than
// it usually takes is not proven since: that time is one of them.
func (r *Record) proof(observed float64) Proof {
	n, sum, squares, longest := r.intervals, r.sum, r.squares, r.longest
	if open := r.span.To.Sub(r.lastStart).Hours(); n > 0 && open > sum/float64(n) {
		n, sum, squares, longest = n+1, sum+open, squares+open*open, max(longest, open)
	}
	if n == 0 {
		p := Proof{Mean: signal.Unknown(), Longest: signal.Unknown(), Weighted: signal.Unknown(), Reason: "no time to be proven in"}
		if observed > 0 {
			p.Weighted, p.Reason = signal.Number(observed), "no two starts were seen: all the time that was watched stands for the interval"
		}
		return p
	}
	return Proof{Intervals: n, Mean: signal.Number(sum / float64(n)), Longest: signal.Number(longest), Weighted: signal.Number(squares / sum)}
}

// repairs is how many of the failures that fit were repaired in a known time,
// and how long that took on the mean, h.
func (r *Record) repairs(fits func(*Failed) bool) (n int, mean signal.Number) {
	sum := 0.0
	for i := range r.m.Failures {
		if f := &r.m.Failures[i]; fits(f) && !f.Restored.IsZero() && f.Down >= 0 {
			n++
			sum += f.Down / 3600
		}
	}
	if n == 0 {
		return 0, signal.Unknown()
	}
	return n, signal.Number(sum / float64(n))
}

// Assumed is what the data do not tell about a pair.
type Assumed struct {
	Confidence float64 `json:"confidence"`
	Beta       float64 `json:"common_cause_ratio"` // part of the failures that takes both machines
	Repair     float64 `json:"repair_hours"`       // where no repair is recorded
}

// Pair is the figures of two machines that back each other up.
type Pair struct {
	Positions [2]string `json:"positions"`
	Operating float64   `json:"operating_hours"`
	All       Counted   `json:"all_modes"`
	Weibull   Weibull   `json:"weibull_hours"` // lives of both

	FairRun    signal.Number `json:"fairness_of_run_time"` // Jain's index of the shares: 1 even, 0.5 all by one
	FairStarts signal.Number `json:"fairness_of_starts"`

	OnDemand  Counted       `json:"failures_on_demand"` // over the hours watched, of both
	Interval  signal.Number `json:"proof_interval_hours"`
	Repair    signal.Number `json:"repair_hours"`
	Repairs   int           `json:"repairs"`               // behind it; 0: assumed
	OneOfOne  Estimate      `json:"one_of_one_on_demand"`  // average probability that one machine does not answer
	OneOfTwo  Estimate      `json:"one_of_two_on_demand"`  // that neither does
	Beta      float64       `json:"common_cause_ratio"`    // assumed
	Assuming  []string      `json:"assumptions,omitempty"` // of the probabilities
	Attention string        `json:"reason,omitempty"`
}

// PairOf is the figures of two records.
func PairOf(a, b *Record, given Assumed) Pair {
	lives := [2]Life{a.Life(given.Confidence), b.Life(given.Confidence)}
	p := Pair{Positions: [2]string{a.m.Position, b.m.Position}, Operating: a.operating + b.operating, Beta: given.Beta,
		FairRun: Jain(a.operating, b.operating), FairStarts: Jain(float64(a.starts), float64(b.starts))}
	p.All = count("", lives[0].All.Confirmed+lives[1].All.Confirmed, lives[0].All.Unconfirmed+lives[1].All.Unconfirmed, p.Operating, given.Confidence)
	var failed, running []float64
	onDemand := func(f *Failed) bool { return f.OnDemand && f.Confirmed }
	sure, unsure, repairs, down := 0, 0, 0, 0.0
	for _, r := range []*Record{a, b} {
		_, f, c := r.ages(confirmed)
		failed, running = append(failed, f...), append(running, c...)
		sure += r.count(onDemand)
		unsure += r.count(func(f *Failed) bool { return f.OnDemand && !f.Confirmed })
		if n, mean := r.repairs(onDemand); n > 0 {
			repairs, down = repairs+n, down+float64(n)*float64(mean)
		}
	}
	p.Weibull = FitWeibull(failed, running, given.Confidence)
	p.OnDemand = count("", sure, unsure, lives[0].Observed+lives[1].Observed, given.Confidence)
	p.Repairs, p.Repair = repairs, signal.Number(given.Repair)
	if repairs > 0 {
		p.Repair = signal.Number(down / float64(repairs))
	}
	p.Interval = max(lives[0].Proof.Weighted, lives[1].Proof.Weighted) // unknown where one is
	if reason := lives[0].Proof.Reason + lives[1].Proof.Reason; reason != "" {
		p.Attention = "at least one machine was not proven: the time it was watched stands for its interval"
	}
	p.OneOfOne = OneOfOne(p.OnDemand.Rate, float64(p.Interval), float64(p.Repair))
	p.OneOfTwo = OneOfTwo(p.OnDemand.Rate, p.Beta, float64(p.Interval), float64(p.Repair))
	p.Assuming = p.assumptions()
	return p
}

// assumptions says what the probabilities stand on.
func (p *Pair) assumptions() []string {
	repair := fmt.Sprintf("the repair takes %.3g h, the mean of %d recorded", float64(p.Repair), p.Repairs)
	if p.Repairs == 0 {
		repair = fmt.Sprintf("the repair takes %.3g h, assumed because none is recorded", float64(p.Repair))
	}
	return []string{
		"simplified form of IEC 61508-6, annex B: 2 ((1-β) λ)² (T/2 + R)(T/3 + R) + β λ (T/2 + R)",
		fmt.Sprintf("λ counts the confirmed failures of both machines that would have failed a demand (fails to start, breakdown, spurious stop, no delivery): %d in %.6g watched hours, constant and the same for both",
			p.OnDemand.Confirmed, p.OnDemand.MTBF.Time),
		fmt.Sprintf("T is %.6g h, the observed time between successful starts of the machine that is proven less often, weighted by length; a start finds every failure", float64(p.Interval)),
		repair,
		fmt.Sprintf("β is %.3g, the assumed part of failures with a common cause; what both machines share (mains, panel, suction) is in it", p.Beta),
		"a machine that is out of service counts as there",
	}
}

// PerDemand is the probability of a failure per demand, Time being the number
// of demands, with the exact limits of Clopper and Pearson (Biometrika 26, 1934; from memory). Without a failure
// there is no estimate and High is the one-sided bound at the confidence.
func PerDemand(failures, demands int, confidence float64) Estimate {
	e := unknown(refuse(1, failures, confidence), failures, confidence)
	switch {
	case e.Reason != "":
		return e
	case demands < 1 || failures > demands:
		e.Reason = noDemand
		return e
	}
	e.Time = float64(demands)
	limit := func(p float64, a, b int) signal.Number {
		return signal.Number(distuv.Beta{Alpha: float64(a), Beta: float64(b)}.Quantile(p))
	}
	if failures == 0 {
		e.Reason = noFailure
		e.High = limit(confidence, 1, demands)
		return e
	}
	tail := (1 - confidence) / 2
	e.Known, e.Value = true, signal.Number(float64(failures)/float64(demands))
	e.Low = limit(tail, failures, demands-failures+1)
	e.High = 1
	if failures < demands {
		e.High = limit(1-tail, failures+1, demands-failures)
	}
	return e
}
