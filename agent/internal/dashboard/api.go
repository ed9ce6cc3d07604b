package dashboard

import (
	"net/http"
	"strconv"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// route is one line of the interface's own description.
type route struct {
	Path string `json:"path"`
	What string `json:"what"`
}

var described = []route{
	{"/api/v1/units", "every unit in a few fields and why it needs attention, the one that needs it most first"},
	{"/api/v1/units/{unit}", "the whole assessment of one unit: readings, reserve, countdown while the mains are lost, machines, outputs, pairs, service, alarms, leaks, proof, test; SI units, RFC 3339 UTC times, null where a value is unknown"},
	{"/api/v1/events?after=&limit=", "events with a sequence number above after, oldest first, at most limit (1 to 500, default 50); without after the newest ones"},
	{"/api/v1/live?unit=", "server-sent events: hello once, assessment per change of a unit (with unit, which may be empty where there is only one, of that one; of each other a glance when its alarms that need someone or its mains change; with an empty unit where there are several, units once a second, as /api/v1/units has them), entry per entry of the journal with its sequence number as the id, beat twice a second; who sends Last-Event-ID gets the entries after it first. A reader that takes nothing for 5 s, or may not see any more, is dropped; one more than 32 at once gets 503 and Retry-After"},
	{"/api/v1/trends?unit=&name=&from=&to=&points=", "the course of pressure, level, oil_volume, oil_inventory (tank, sump and cylinders at 15 °C), oil_decline, reserve_at_least, reserve_expected, air_ratio or air_decline_per_day in SI units: rows with their least, mean and most in the least step that needs at most points rows (1 to 2000, default 500); from and to are RFC 3339 times, default the last 24 h; a gap lies between two stretches; what is younger than recorded_until may be on its way"},
	{"/api/v1/marks?unit=&from=&to=", "what happened in a time, at most 121 marks, each the most urgent event of its part and how many there were: alarms that came, gaps, tests, commands, notes, changes of clock and configuration"},
	{"/api/v1/suppose?unit=&...", "the reserve for a changed state or set-up, with the stroke table and the price of each doubt; a number is in SI (Pa, m, m³, K, s, m³/s), or write its unit: pressure, level, oil, temperature, wall, atmosphere, leak, minimum-pressure, unusable-oil, set-pressure, set-level, required, add=XV-5 like XV-1, without=XV-1 and the other words of the command suppose"},
	{"/api/v1/journal?unit=&kind=&source=&from=&to=&before=&limit=", "the journal, newest first: every change of an alarm, of the configuration, what people did and noted; kind may name several, from and to are RFC 3339 times, next is what to give as before for the next page"},
	{"/api/v1/runs?unit=&machine=&before=&limit=", "the completed runs of one machine, by its position, newest first: start, end, watched seconds, whether it led and how sure that is; next is what to give as before for the page after it, 0 at the end"},
	{"/api/v1/output?unit=&machine=&from=&to=&points=", "what a machine delivered: a row a run, or a step where there are more than points (1 to 2000, default 500), with the least, mean and most of the corrected flow of those that count (m³/s; of a compressor free air), null where none does; present holds baseline, last figure, trend and forecast with its interval, limit_ratio the part of the baseline under which a machine has failed"},
	{"/api/v1/duty?unit=&from=&to=&step=", "how the machines shared the work: run seconds and starts of each in steps (s, an hour at least, default a day, at most 400 of them) that begin at from, and the seconds of each that nobody watched"},
	{"/api/v1/faults?unit=&machine=&before=&limit=", "what was found of the machines, or of one machine or pair, newest first: the alarm, its failure mode after ISO 14224, meaning, likely causes, the figures that led to it, and its state now; next as above. The measured runs themselves, and the records of tests, stand in the journal: kind=fill,charge,draw,test,proof"},
	{"/api/v1/", "the version of the program, and this list"},
	{"/api/v1/session", "what the reader may do: role, by, may_see, may_act, and whether there is anything to log in with"},
	{"POST /api/v1/login", "{by, secret}: sets a cookie, for 12 h, and until 30 min after the last request. A program sends Authorization: Bearer and the secret instead"},
	{"POST /api/v1/logout", "{}: ends the log-in, and its live stream within 5 s"},
	{"POST /api/v1/commands", "{command, unit, source, alarm, by, reason, until, serial, seconds_so_far, starts_so_far, task, failure, failure_mode, at}: acknowledge, unshelve, shelve, reset, note, out_of_service, back_in_service, set_baseline, exchange_machine, service_done, announce_test, end_test, forget_heat_exchange; record_failure {source, failure_mode, at: when it happened}, confirm_failure, correct_failure, reject_failure and close_failure {failure: its id, at: when it was restored}, for those who may act; 200 with what came of it, 409 with why not"},
	{"/healthz", "200 while every unit's scans are fresh, otherwise 503"},
}

func (h *handler) index(w http.ResponseWriter, r *http.Request) {
	h.answer(w, r, map[string]any{"schema": rules.Schema, "version": h.Version, "routes": described})
}

// summary is one unit in a few fields. Every figure is null while the
// reserve is unknown, with the reason beside it.
type summary struct {
	Site       string         `json:"site"`
	Unit       string         `json:"unit"`
	Time       time.Time      `json:"time"`
	Age        float64        `json:"age_seconds"` // of the scan
	Fresh      bool           `json:"fresh"`
	Quality    signal.Quality `json:"quality"` // of the reserve's inputs
	PowerLost  bool           `json:"power_lost"`
	Known      bool           `json:"reserve_known"`
	Reason     string         `json:"reason,omitempty"`
	AtLeast    signal.Number  `json:"at_least_cycles"`
	Expected   signal.Number  `json:"expected_cycles"`
	Required   int            `json:"required_cycles"`
	Limit      reserve.Limit  `json:"limit,omitempty"`
	Alarms     int            `json:"alarms_needing_someone"`
	Unseen     int            `json:"alarms_unacknowledged"`
	Highest    string         `json:"highest_priority,omitempty"`
	Redundancy []backing      `json:"redundancy"`
	Attention  string         `json:"attention,omitempty"` // why it stands where it does; empty: nothing is wrong
}

// backing is how the machines of one kind back each other up.
type backing struct {
	Kind       machine.Kind `json:"kind"`
	Redundancy string       `json:"redundancy"` // both, one, none or unknown
}

// listing is every unit in a few fields.
type listing struct {
	Schema int       `json:"schema"`
	Units  []summary `json:"units"`
}

func (h *handler) listed() listing { return listing{rules.Schema, h.ranked()} }

func (h *handler) list(w http.ResponseWriter, r *http.Request) { h.answer(w, r, h.listed()) }

// names are those of all units, in the order of the configuration.
func (h *handler) names() []string {
	if h.Names != nil {
		return h.Names
	}
	all := []string{}
	for _, a := range h.Units.Latest() {
		all = append(all, a.Unit)
	}
	return all
}

func (h *handler) single() bool { return len(h.names()) == 1 }

func (h *handler) unit(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("unit")
	for _, a := range h.Units.Latest() {
		if a.Unit != name {
			continue
		}
		f, err := h.frames.of(a)
		if err != nil {
			h.Log.Error("assessment cannot be written as JSON", "unit", a.Unit, "error", err)
			refuse(w, http.StatusInternalServerError, "the assessment cannot be written as JSON")
			return
		}
		deliver(w, r, jsonKind, tagOf(f.body), f.body, nil)
		return
	}
	refuse(w, http.StatusNotFound, "no unit of this name has been read yet")
}

// The bounds of one answer of events.
const (
	defaultEvents = 50
	maxEvents     = 500
)

func (h *handler) events(w http.ResponseWriter, r *http.Request) {
	limit, after := uint64(defaultEvents), uint64(0)
	q := r.URL.Query()
	if s := q.Get("limit"); s != "" {
		n, err := strconv.ParseUint(s, 10, 32)
		if err != nil || n < 1 || n > maxEvents {
			refuse(w, http.StatusBadRequest, "limit must be a whole number from 1 to 500")
			return
		}
		limit = n
	}
	newest := h.Events.Newest()
	if newest > limit {
		after = newest - limit
	}
	if s := q.Get("after"); s != "" {
		n, err := strconv.ParseUint(s, 10, 63)
		if err != nil {
			refuse(w, http.StatusBadRequest, "after must be a sequence number: a whole number from 0")
			return
		}
		after = n
	}
	found, err := h.Events.Entries(r.Context(), after, int(limit))
	if err != nil {
		h.Log.Error("events cannot be read", "after", after, "error", err)
		refuse(w, http.StatusServiceUnavailable, "the history cannot be read now")
		return
	}
	h.answer(w, r, struct {
		Schema int           `json:"schema"`
		Newest uint64        `json:"newest"`
		Events []rules.Entry `json:"events"`
	}{rules.Schema, newest, append([]rules.Entry{}, found...)})
}

// fresh reports whether a was scanned recently. A clock that stepped back
// makes a scan look future; it is stale then until the next one.
func (h *handler) fresh(a *rules.Assessment) bool {
	return h.Now().Sub(a.Time).Abs() <= h.StaleAfter
}

func (h *handler) health(w http.ResponseWriter, r *http.Request) {
	type scan struct {
		Unit  string  `json:"unit"`
		Fresh bool    `json:"fresh"`
		Age   float64 `json:"age_seconds"`
	}
	all := h.Units.Latest()
	out := struct {
		Status string `json:"status"`
		Units  []scan `json:"units"`
	}{"fresh", []scan{}}
	status := http.StatusOK
	if len(all) == 0 {
		out.Status, status = "no scan yet", http.StatusServiceUnavailable
	}
	for _, a := range all {
		ok := h.fresh(a)
		if !ok {
			out.Status, status = "stale", http.StatusServiceUnavailable
		}
		out.Units = append(out.Units, scan{a.Unit, ok, h.Now().Sub(a.Time).Seconds()})
	}
	if h.visitor(r).role == "" { // who may not see is told no more than that
		out.Units = []scan{}
	}
	reply(w, status, out)
}
