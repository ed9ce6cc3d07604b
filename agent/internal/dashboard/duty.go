package dashboard

import (
	"net/http"
	"strconv"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine"
)

// The bounds of one answer about duty.
const (
	leastDutyStep = time.Hour
	maxDutySteps  = 400
)

// dutyOf is what one machine did in each step.
type dutyOf struct {
	Position string       `json:"position"`
	Kind     machine.Kind `json:"kind"`
	Run      []float64    `json:"run_seconds"`
	Starts   []int        `json:"starts"` // that were seen
}

// duties spreads runs over steps of time.
type duties struct {
	from     time.Time
	step     time.Duration
	n        int
	machines []dutyOf
	dark     []float64 // s that nobody watched
}

// spread adds the part of [start, end) that lies in each step.
func (d *duties) spread(into []float64, start, end time.Time) {
	first := max(0, int(start.Sub(d.from)/d.step))
	for i := first; i < d.n; i++ {
		a := d.from.Add(time.Duration(i) * d.step)
		s := earlier(end, a.Add(d.step)).Sub(later(start, a)).Seconds()
		if s <= 0 {
			if !a.Before(end) {
				return
			}
			continue
		}
		into[i] += s
	}
}

// add adds a run. The seconds that were watched are what counts: a run whose
// end was not seen has fewer than its span.
func (d *duties) add(r *machine.Run) {
	for i := range d.machines {
		m := &d.machines[i]
		if m.Position != r.Position {
			continue
		}
		end := earlier(r.End, r.Start.Add(time.Duration(r.Seconds*float64(time.Second))))
		d.spread(m.Run, r.Start, end)
		if at := r.Start.Sub(d.from); r.StartSeen && at >= 0 && int(at/d.step) < d.n {
			m.Starts[at/d.step]++
		}
	}
}

// duty is how the machines of the pairs shared the work over time.
func (h *handler) duty(w http.ResponseWriter, r *http.Request) {
	a, why := h.whichPast(r)
	step := 24 * time.Hour
	if s := r.URL.Query().Get("step"); s != "" {
		n, err := strconv.ParseUint(s, 10, 31)
		if step = time.Duration(n) * time.Second; err != nil {
			why += "step must be a length in whole seconds"
		}
	}
	now := h.unitNamed(a.unit)
	switch length := a.to.Sub(a.from); {
	case why != "":
	case now == nil:
		why = "unit must name a unit that has been read"
	case step < leastDutyStep || length > maxDutySteps*step:
		why = "step must be an hour at least and divide the time into 400 steps at most"
	}
	if why != "" {
		refuse(w, http.StatusBadRequest, why)
		return
	}
	d := newDuties(now, a.from, a.to, step)
	if err := h.gather(r, d, now, a); err != nil {
		h.unreadable(w, "duty", a.unit, err)
		return
	}
	h.answer(w, r, struct {
		Schema   int       `json:"schema"`
		Unit     string    `json:"unit"`
		From     time.Time `json:"from"`
		To       time.Time `json:"to"`
		Step     float64   `json:"step_seconds"` // the last one may be shorter
		Machines []dutyOf  `json:"machines"`
		Dark     []float64 `json:"unobserved_seconds"` // nobody watched, or before the record begins
	}{rules.Schema, a.unit, a.from, a.to, step.Seconds(), d.machines, d.dark})
}

func newDuties(now *rules.Assessment, from, to time.Time, step time.Duration) *duties {
	n := int((to.Sub(from) + step - 1) / step)
	d := &duties{from: from, step: step, n: n, dark: make([]float64, n)}
	for i := range now.Machines {
		m := &now.Machines[i]
		d.machines = append(d.machines, dutyOf{Position: m.Position, Kind: m.Kind, Run: make([]float64, n), Starts: make([]int, n)})
	}
	return d
}

// gather reads runs and gaps, and takes the runs under way from the present.
func (h *handler) gather(r *http.Request, d *duties, now *rules.Assessment, a asked) error {
	err := h.Works.EachRun(r.Context(), a.unit, a.from, a.to, func(run rules.NumberedRun) bool {
		d.add(&run.Run)
		return r.Context().Err() == nil
	})
	if err != nil {
		return err
	}
	for i := range now.Machines {
		if m := &now.Machines[i]; m.State == machine.Running {
			d.add(&machine.Run{Position: m.Position, Start: m.Since, End: earlier(now.Time, a.to), Seconds: m.ThisRunSeconds, StartSeen: true})
		}
	}
	// Before the first event there is no record: not a time without runs.
	first, err := h.Events.Entries(r.Context(), 0, 1)
	if err != nil {
		return err
	}
	if len(first) > 0 && first[0].ClockTrusted {
		d.spread(d.dark, a.from, earlier(first[0].Time, a.to))
	}
	// A gap is told at its end, which may lie behind the time that is asked for.
	gaps := rules.Search{Unit: a.unit, Kinds: []rules.Kind{rules.GapEvent}, From: a.from, To: h.Now().UTC().Add(time.Minute)}
	return h.Works.Each(r.Context(), gaps, func(e rules.Entry) bool {
		from, err := time.Parse(time.RFC3339, e.From)
		to, wrong := time.Parse(time.RFC3339, e.To)
		if err == nil && wrong == nil {
			d.spread(d.dark, from, earlier(to, a.to))
		}
		return r.Context().Err() == nil
	})
}
