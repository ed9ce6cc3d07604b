// Package machine follows the pumps and compressors of a unit: runs, starts,
// duty, alternation and availability.
package machine

import (
	"time"

	"strokebank/sensors/signal"
)

// Kind is what a machine moves.
type Kind string

// The kinds.
const (
	Pump       Kind = "pump"
	Compressor Kind = "compressor"
)

// Config is what the site says of one machine. Position is its place
// ("pump1"); Serial names the individual that stands there now.
type Config struct {
	Position      string
	Tag           string // the site's name for the position
	Kind          Kind
	Serial        string
	Installed     time.Time
	RunOffset     float64 // s, of the individual before this program watched it
	StartOffset   float64 // starts before this program watched it
	Rating        float64 // m³/s: oil, or free air for a compressor
	StartsPerHour float64 // the motor's limit; 0: not given
	Baseline      float64 // m³/s, of its corrected output; 0: learned from its first good runs
}

// PairConfig is two machines that back each other up.
type PairConfig struct {
	Kind     Kind
	Machines [2]Config
	CutIn    float64       // Pa gauge for compressors, m for pumps: the lead starts here
	CutOut   float64       // the lead stops here
	NoAnswer float64       // "far below": nobody has started although the value is under this
	Answer   time.Duration // time that the panel and the motor need to answer a demand
	Turns    int           // completed lead runs without handing over that are still tolerated
}

// State is what a machine is doing.
type State string

// The states of a machine.
const (
	Stopped      State = "stopped"
	Running      State = "running"
	StateUnknown State = "unknown"
)

// Status is the present view of one machine.
type Status struct {
	Position string         `json:"position"`
	Tag      string         `json:"tag"`
	Kind     Kind           `json:"kind"`
	Serial   string         `json:"serial,omitempty"`
	State    State          `json:"state"`
	Reason   string         `json:"reason,omitempty"` // why the state is unknown
	Quality  signal.Quality `json:"quality"`
	Since    time.Time      `json:"since,omitzero"`
	Lead     bool           `json:"lead"` // leads the present or next run

	// Available is whether it could start now; with Blocked saying why not.
	// AvailableKnown is false where a contact that would tell is bad; then
	// Available is false too. What the unit has no contact for is no
	// objection: with running contacts alone a machine is available until it
	// is proven failed, or a person takes it out of service.
	Available      bool   `json:"available"`
	AvailableKnown bool   `json:"availability_known"`
	Blocked        string `json:"blocked,omitempty"`

	// Since the process started, as watched: never filled in, never falling.
	ProcessRunSeconds        float64 `json:"-"`
	ProcessStarts            float64 `json:"-"`
	ProcessUnobservedSeconds float64 `json:"-"`

	LifetimeRunSeconds        float64 `json:"lifetime_run_seconds"`
	LifetimeStarts            float64 `json:"lifetime_starts"`
	LifetimeUnobservedSeconds float64 `json:"lifetime_unobserved_seconds"`
	DoubtSeconds              float64 `json:"run_doubt_seconds"` // of LifetimeRunSeconds, from runs cut by a power failure
	// Of the lifetime figures, what came from the panel's hour meter and start
	// counter for a time that nobody watched.
	FilledRunSeconds float64 `json:"filled_run_seconds"`
	FilledStarts     float64 `json:"filled_starts"`
	ThisRunSeconds   float64 `json:"this_run_seconds"`

	// What the panel's start counter and hour meter have counted more than the
	// program since both were first held against each other: runs shorter than
	// a scan, and what nobody watched. Unknown where there is no such counter.
	CounterAhead signal.Number `json:"start_counter_ahead"`
	MeterAhead   signal.Number `json:"hour_meter_ahead_seconds"`

	Windows [3]Window `json:"windows"` // 24 h, 7 d, 30 d
}

// Window is what a machine did in a rolling window. It moves in steps of an
// hour (24 h) or of 24 hours (7 d, 30 d) and holds the present step and those
// before it, so it covers its length or up to one step less. It counts
// elapsed time, so a corrected clock does not move it.
type Window struct {
	Length            string        `json:"length"` // "24h", "7d", "30d"
	RunSeconds        float64       `json:"run_seconds"`
	Starts            float64       `json:"starts"`
	UnobservedSeconds float64       `json:"unobserved_seconds"`
	CoveredSeconds    float64       `json:"covered_seconds"`    // so far, watched or not
	ShareOfRun        signal.Number `json:"share_of_run_ratio"` // of the pair; unknown if the pair did not run
	ShareOfStarts     signal.Number `json:"share_of_starts_ratio"`
}

// PairStatus is the present view of a pair.
type PairStatus struct {
	Kind       Kind          `json:"kind"`
	Available  int           `json:"available"`       // machines that could start now
	Redundancy string        `json:"redundancy"`      // "both", "one", "none", "unknown"
	Imbalance  signal.Number `json:"imbalance_ratio"` // (a-b)/(a+b) of run time, longest window with data, -1 to 1
	SameLead   int           `json:"same_lead_runs"`  // lead runs in a row by the same machine beyond the first
	Missed     float64       `json:"missed_turns"`    // lifetime count of turns not handed over
	NextLead   string        `json:"next_lead,omitempty"`
}

// Run is one completed run, from contact closing to contact opening. Seconds
// is what was watched of it, by the monotonic clock, so it may differ from
// End minus Start where the wall clock was corrected.
type Run struct {
	Position string    `json:"position"`
	Serial   string    `json:"serial,omitempty"`
	Start    time.Time `json:"start"`
	End      time.Time `json:"end"`
	Seconds  float64   `json:"seconds"`
	Lead     bool      `json:"lead"`
	// StartSeen is false for a run found under way; Doubt is how much Seconds
	// may be short because nobody watched (of a run cut by a restart: up to
	// one beat, the time until the restart being unobserved); Cut says that
	// its end was not observed, and End then is when it was last seen.
	StartSeen bool    `json:"start_seen"`
	Cut       bool    `json:"cut"`
	Doubt     float64 `json:"doubt_seconds"`
}
