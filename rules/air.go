package rules

import (
	"math"
	"time"

	"strokebank/rules/gas"
	"strokebank/rules/machine"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// air follows what pressure and volume alone do not tell of the gas: its
// temperature against the wall, and how fast the two meet.
type air struct {
	follower   *gas.Follower
	learner    *gas.Learner
	configured float64 // s, τ; 0: not given
	lower      float64 // s, its bounds; 0: not given
	upper      float64
	full       float64 // J, pV of a full charge
	learned    gas.Learned
	at         time.Duration // Elapsed at the last scan
	read       time.Duration // Elapsed at the last scan that could be read
}

// savedAir is what a restart needs of it.
type savedAir struct {
	Follower gas.FollowerState `json:"follower"`
	Learner  gas.LearnerState  `json:"learner"`
}

func newAir(c *Config) (*air, error) {
	r := &c.Reserve
	tau := r.HeatExchange
	if tau == 0 {
		tau = reserve.AssumedHeatExchange
	}
	follower, err := gas.NewFollower(gas.FollowerConfig{
		Tau: tau, TauLow: math.Max(c.HeatExchangeLower, 0), TauHigh: math.Max(r.HeatExchangeUpper, 0), Air: r.CompressorAir,
		MaxGap: (mostScans * c.ScanPeriod).Seconds(),
	})
	if err != nil {
		return nil, err
	}
	return &air{
		follower: follower, learner: gas.NewLearner(tau), configured: r.HeatExchange,
		lower: c.HeatExchangeLower, upper: r.HeatExchangeUpper,
		full: (r.SetPressure + c.Atmosphere) * (c.Tank.Total() - c.Tank.Volume(r.SetLevel)),
	}, nil
}

// stepAir takes this scan's gas in. A scan with a bad pressure or level is
// left out: when too many are, the follower itself calls it a gap.
func (u *Unit) stepAir(now time.Duration) {
	a, g := u.air, &u.out
	read := g.GasPressure.Known() && g.GasVolume.Known()
	on := func(pair, which int) bool { return g.Machines[2*pair+which].State == machine.Running }
	moved := !read || on(pumps, 0) || on(pumps, 1) || on(compressors, 0) || on(compressors, 1)
	if read {
		a.follower.Step((now - a.read).Seconds(), g.GasVolume.Value, g.GasPressure.Value, u.atmosphere,
			[2]bool{on(compressors, 0), on(compressors, 1)})
		a.read = now
	}
	a.learner.Step((now - a.at).Seconds(), g.GasVolume.Value, g.GasPressure.Value, moved)
	a.at = now
	if k := a.learner.Learned(); k != a.learned {
		a.learn(k)
	}
	a.show(&g.Gas)
}

// learn puts a newly learned time constant to use, or takes it out of use.
func (a *air) learn(k gas.Learned) {
	a.learned = k
	tau, low, high := a.configured, a.lower, a.upper
	if tau == 0 {
		tau = reserve.AssumedHeatExchange
	}
	if k.InUse {
		// Far from the wall's temperature the gas meets it twice as fast.
		tau, low, high = k.Tau, k.Tau*(1-max(min(k.Band, 0.9), 0.5)), k.Tau*(1+k.Band)
	}
	// What was learned is positive and finite and its bounds hold it; the
	// configured one was taken once already. So this cannot fail.
	_ = a.follower.SetTau(tau, low, high)
}

// tell gives the reserve what is known of the gas.
func (a *air) tell(in *reserve.Input) {
	in.Theta, in.ThetaBand, in.ThetaKnown = a.follower.Theta()
	if k := &a.learned; k.InUse {
		in.HeatExchange, in.HeatExchangeUpper = k.Tau, k.Tau*(1+k.Band)
	}
}

// show fills the view of the gas.
func (a *air) show(g *Gas) {
	*g = Gas{
		TemperatureRatio: signal.Unknown(), TemperatureRatioBand: signal.Unknown(), AirRatio: signal.Unknown(),
		HeatExchange: signal.Unknown(), HeatExchangeConfigured: signal.Unknown(),
		HeatExchangeLearned: signal.Unknown(), HeatExchangeBand: signal.Unknown(),
		AgreeingDraws: a.learned.Draws, UsedDraws: a.learned.Of,
	}
	if theta, band, known := a.follower.Theta(); known {
		g.TemperatureRatio, g.TemperatureRatioBand = signal.Number(theta), signal.Number(band)
	}
	if s, known := a.follower.Settled(); known && a.full > 0 {
		g.AirRatio = signal.Number(s / a.full)
	}
	if a.configured > 0 {
		g.HeatExchange, g.HeatExchangeConfigured = signal.Number(a.configured), signal.Number(a.configured)
	}
	if k := &a.learned; k.Of > 0 {
		g.HeatExchangeLearned, g.HeatExchangeBand = signal.Number(k.Tau), signal.Number(k.Band)
		if k.InUse {
			g.HeatExchange = signal.Number(k.Tau)
		}
	}
}

func (a *air) save() savedAir {
	return savedAir{Follower: a.follower.State(), Learner: a.learner.State()}
}

// resume goes on after a restart; gap is how long nobody watched, s, NaN where
// that is not known.
func (a *air) resume(s savedAir, gap float64) {
	if math.IsNaN(gap) {
		gap = math.Inf(1)
	}
	a.follower.Restore(s.Follower, gap)
}
