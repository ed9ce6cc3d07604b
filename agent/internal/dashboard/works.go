package dashboard

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine/work"
	"strokebank/sensors/signal"
)

// works gives what the machines have done.
type works interface {
	// RunsBefore are a machine's completed runs with a number below before (0:
	// the newest), the newest first, at most limit.
	RunsBefore(ctx context.Context, unit, position string, before uint64, limit int) ([]rules.NumberedRun, error)
	// EachRun hands over the unit's runs that lie in [from, to) in part or
	// whole until take says no.
	EachRun(ctx context.Context, unit string, from, to time.Time, take func(rules.NumberedRun) bool) error
	// Each hands over the events that fit, oldest first, until take says no.
	Each(ctx context.Context, q rules.Search, take func(rules.Entry) bool) error
}

func (h *handler) workViews(mux *http.ServeMux) {
	if h.Works != nil {
		mux.HandleFunc("GET /api/v1/runs", h.runs)
		mux.HandleFunc("GET /api/v1/output", h.output)
		mux.HandleFunc("GET /api/v1/duty", h.duty)
	}
	mux.HandleFunc("GET /api/v1/faults", h.faults)
}

// unitNamed is the present assessment of a unit, or nil.
func (h *handler) unitNamed(name string) *rules.Assessment {
	for _, a := range h.Units.Latest() {
		if a.Unit == name {
			return a
		}
	}
	return nil
}

// page is which part of a list is asked for.
type page struct {
	before uint64
	limit  int
}

// whichPage reads before and limit; why says what is wrong.
func whichPage(r *http.Request) (p page, why string) {
	q := r.URL.Query()
	p.limit = defaultEvents
	var err error
	if s := q.Get("before"); s != "" {
		if p.before, err = strconv.ParseUint(s, 10, 63); err != nil {
			return p, "before must be a number that an answer gave as next"
		}
	}
	if s := q.Get("limit"); s != "" {
		if p.limit, err = strconv.Atoi(s); err != nil || p.limit < 1 || p.limit > maxEvents {
			return p, "limit must be a whole number from 1 to 500"
		}
	}
	return p, ""
}

// machineOf reads unit and machine; why says what is wrong.
func (h *handler) machineOf(r *http.Request) (unit, position, why string) {
	q := r.URL.Query()
	unit, position = q.Get("unit"), q.Get("machine")
	a := h.unitNamed(unit)
	if a == nil {
		return unit, position, "unit must name a unit that has been read"
	}
	for i := range a.Machines {
		if a.Machines[i].Position == position {
			return unit, position, ""
		}
	}
	return unit, position, "machine must name a machine of the unit by its position, such as pump1"
}

func (h *handler) runs(w http.ResponseWriter, r *http.Request) {
	unit, position, why := h.machineOf(r)
	p, wrong := whichPage(r)
	if why != "" || wrong != "" {
		refuse(w, http.StatusBadRequest, why+wrong)
		return
	}
	found, err := h.Works.RunsBefore(r.Context(), unit, position, p.before, p.limit)
	if err != nil {
		h.unreadable(w, "runs", unit, err)
		return
	}
	next := uint64(0)
	if len(found) == p.limit {
		next = found[len(found)-1].Number
	}
	h.answer(w, r, struct {
		Schema  int                 `json:"schema"`
		Unit    string              `json:"unit"`
		Machine string              `json:"machine"`
		Next    uint64              `json:"next"`
		Runs    []rules.NumberedRun `json:"runs"`
	}{rules.Schema, unit, position, next, append([]rules.NumberedRun{}, found...)})
}

func (h *handler) unreadable(w http.ResponseWriter, what, unit string, err error) {
	h.Log.Error(what+" cannot be read", "unit", unit, "error", err)
	refuse(w, http.StatusServiceUnavailable, "the history cannot be read now")
}

// delivered is what one run, or those of one step of time, delivered: flows
// in m³/s corrected to the set state, of those that count for health.
type delivered struct {
	Time    time.Time     `json:"time"` // of its end, or of the step's beginning
	Runs    int           `json:"runs"`
	Counted int           `json:"counted"`
	Least   signal.Number `json:"least"`
	Mean    signal.Number `json:"mean"`
	Most    signal.Number `json:"most"`
}

func (d *delivered) add(flow signal.Number, counts bool) {
	d.Runs++
	if !counts || !flow.Known() {
		return
	}
	d.Counted++
	if d.Counted == 1 {
		d.Least, d.Mean, d.Most = flow, flow, flow
		return
	}
	d.Least, d.Most = min(d.Least, flow), max(d.Most, flow)
	d.Mean += (flow - d.Mean) / signal.Number(d.Counted)
}

// deliveries gathers runs one by one, or by steps once they are too many.
type deliveries struct {
	from  time.Time
	step  time.Duration
	most  int
	each  []delivered
	steps []delivered
	total int
}

func (d *deliveries) add(at time.Time, flow signal.Number, counts bool) {
	none := delivered{Least: signal.Unknown(), Mean: signal.Unknown(), Most: signal.Unknown()}
	if d.total++; d.total <= d.most {
		one := none
		one.Time = at
		one.add(flow, counts)
		d.each = append(d.each, one)
	}
	start := d.from.Add(at.Sub(d.from).Truncate(d.step))
	if n := len(d.steps); n == 0 || !d.steps[n-1].Time.Equal(start) {
		one := none
		one.Time = start
		d.steps = append(d.steps, one)
	}
	d.steps[len(d.steps)-1].add(flow, counts)
}

// output is the course of what a machine delivered, against its baseline.
func (h *handler) output(w http.ResponseWriter, r *http.Request) {
	a, why := h.whichPast(r)
	_, position, wrong := h.machineOf(r)
	points, odd := pointsOf(r)
	if why+wrong+odd != "" {
		refuse(w, http.StatusBadRequest, why+wrong+odd)
		return
	}
	d := deliveries{from: a.from, step: stepFor(a.to.Sub(a.from), points), most: points}
	q := rules.Search{Unit: a.unit, Source: position, Kinds: []rules.Kind{rules.FillEvent, rules.ChargeEvent}, From: a.from, To: a.to}
	err := h.Works.Each(r.Context(), q, func(e rules.Entry) bool {
		switch {
		case e.Fill != nil:
			d.add(e.Time, e.Fill.Corrected, e.Fill.Counts)
		case e.Charge != nil:
			d.add(e.Time, e.Charge.Corrected, e.Charge.Counts)
		}
		return r.Context().Err() == nil
	})
	if err != nil {
		h.unreadable(w, "fills", a.unit, err)
		return
	}
	rows, step := d.each, 0.0
	if d.total > points {
		rows, step = d.steps, d.step.Seconds()
	}
	h.answer(w, r, struct {
		Schema  int           `json:"schema"`
		Unit    string        `json:"unit"`
		Machine string        `json:"machine"`
		From    time.Time     `json:"from"`
		To      time.Time     `json:"to"`
		Step    float64       `json:"step_seconds"` // 0: each row is one run
		Limit   float64       `json:"limit_ratio"`  // of the baseline
		Present *work.Verdict `json:"present"`
		Rows    []delivered   `json:"rows"`
	}{rules.Schema, a.unit, position, a.from, a.to, step, work.Limit, h.verdict(a.unit, position), append([]delivered{}, rows...)})
}

// verdict is the present view of a machine's output, nil where there is none.
func (h *handler) verdict(unit, position string) *work.Verdict {
	if a := h.unitNamed(unit); a != nil {
		for i := range a.Outputs {
			if a.Outputs[i].Position == position {
				return &a.Outputs[i]
			}
		}
	}
	return nil
}

// pointsOf reads how many rows are wanted at most.
func pointsOf(r *http.Request) (points int, why string) {
	points = defaultPoints
	if s := r.URL.Query().Get("points"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 || n > maxPoints {
			return 0, "points must be a whole number from 1 to " + strconv.Itoa(maxPoints)
		}
		points = n
	}
	return points, ""
}
