package uplink

import (
	"encoding/json"
	"fmt"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// message is one publication.
type message struct {
	topic    string
	qos      byte
	retained bool
	payload  []byte
}

// presence is the payload of the agent's status topic.
type presence struct {
	Schema       int        `json:"schema"`
	State        string     `json:"state"`
	Time         *time.Time `json:"time"` // null in the will: the agent cannot know when it is cut off
	Reason       string     `json:"reason,omitempty"`
	Connected    time.Time  `json:"connected"` // begin of the connection that this speaks of
	Site         string     `json:"site"`
	Agent        string     `json:"agent"`
	Units        []string   `json:"units"`
	Installation string     `json:"installation"`
	Version      string     `json:"version"`
	Nonce        string     `json:"nonce,omitempty"` // that commands must bring; only while they are taken
}

// The states of presence.
const (
	online         = "online"
	offlineClean   = "offline_clean"   // the agent said goodbye
	offlineUnclean = "offline_unclean" // the broker speaks for an agent that vanished
)

// header is what every payload about a unit begins with.
type header struct {
	Schema       int       `json:"schema"`
	Site         string    `json:"site"`
	Unit         string    `json:"unit"`
	Time         time.Time `json:"time"`
	ClockTrusted bool      `json:"clock_trusted"`
}

func headerOf(a *rules.Assessment) header {
	return header{rules.Schema, a.Site, a.Unit, a.Time.UTC(), a.ClockTrusted}
}

// reserveState is the payload of the reserve topic.
type reserveState struct {
	header
	Reserve   reserve.Figures  `json:"reserve"`
	LastKnown *rules.LastKnown `json:"last_known_reserve,omitempty"`
}

// alarmState is the payload of one alarm's topic. Active is null while
// nobody knows, with the reason beside it.
type alarmState struct {
	header
	Source    string         `json:"source"`
	Name      string         `json:"alarm"`
	Title     string         `json:"title"`
	State     alarm.State    `json:"state"`
	Behind    alarm.State    `json:"behind,omitempty"`
	Active    *bool          `json:"active"`
	Reason    string         `json:"reason,omitempty"`
	Priority  alarm.Priority `json:"priority"`
	Since     time.Time      `json:"since,omitzero"`
	Until     time.Time      `json:"until,omitzero"`
	By        string         `json:"by,omitempty"`
	Action    string         `json:"action"`
	Respond   float64        `json:"respond_within_seconds"`
	Note      string         `json:"note,omitempty"`
	Value     signal.Number  `json:"value"`
	Limit     signal.Number  `json:"limit"`
	ValueUnit string         `json:"value_unit,omitempty"`
}

// liveState is the payload of the live topic.
type liveState struct {
	header
	Scan        uint64               `json:"scan"`
	Quality     signal.Quality       `json:"quality"`
	PowerLost   bool                 `json:"power_lost"`
	Readings    []rules.NamedReading `json:"readings"`
	GasPressure signal.Reading       `json:"gas_pressure"`
	Level       signal.Reading       `json:"oil_level"`
	OilVolume   signal.Reading       `json:"oil_volume"`
	GasVolume   signal.Reading       `json:"gas_volume"`
	Reserve     reserve.Figures      `json:"reserve"`
	Machines    []machine.Status     `json:"machines"`
	Pairs       []machine.PairStatus `json:"pairs"`
}

// encode writes v as the payload of one message.
func encode(topic string, qos byte, retained bool, v any) (message, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return message{}, fmt.Errorf("payload for %s: %w", topic, err)
	}
	return message{topic, qos, retained, text}, nil
}

// eventMessage is a numbered event on the topic of its unit, or of the agent
// where it concerns no unit.
func (c *Config) eventMessage(e rules.Entry) (message, error) {
	site, owner := e.Site, e.Unit
	if site == "" {
		site = c.Site
	}
	if owner == "" {
		owner = c.Agent
	}
	return encode(topic(site, owner, "event"), 1, false, e)
}

func (c *Config) presenceMessage(state string, connected, now time.Time, nonce string) (message, error) {
	p := presence{Schema: rules.Schema, State: state, Connected: connected.UTC(), Site: c.Site, Agent: c.Agent,
		Units: append([]string{}, c.Units...), Installation: c.Installation, Version: c.Version, Nonce: nonce}
	if state == offlineUnclean {
		p.Reason = "connection ended without goodbye; its end was seen by the broker only"
	} else {
		utc := now.UTC()
		p.Time = &utc
	}
	return encode(topic(c.Site, c.Agent, "status"), 1, true, p)
}

func reserveMessage(a *rules.Assessment) (message, error) {
	return encode(topic(a.Site, a.Unit, "reserve"), 1, true,
		reserveState{headerOf(a), outward(a.Reserve), a.LastKnown})
}

func alarmMessage(a *rules.Assessment, s alarm.Status) (message, error) {
	out := alarmState{header: headerOf(a), Source: s.Source, Name: s.Name, Title: s.Title, State: s.State, Behind: s.Behind,
		Reason: s.Reason, Priority: s.Priority, Since: s.Since, Until: s.Until, By: s.By, Action: s.Action, Respond: s.Respond,
		Note: s.Note, Value: s.Value, Limit: s.Limit, ValueUnit: s.Unit.String()}
	if raised, known := s.Raised(); known {
		out.Active = &raised
	}
	return encode(alarmTopic(a, s), 1, true, out)
}

func alarmTopic(a *rules.Assessment, s alarm.Status) string {
	return topic(a.Site, a.Unit, "alarm", s.Source, s.Name)
}

func liveMessage(a *rules.Assessment) (message, error) {
	return encode(topic(a.Site, a.Unit, "live"), 0, false, liveState{headerOf(a), a.Scan, a.Quality, a.PowerLost,
		append([]rules.NamedReading{}, a.Readings...), a.GasPressure, a.Level, a.OilVolume, a.GasVolume,
		outward(a.Reserve), append([]machine.Status{}, a.Machines...), append([]machine.PairStatus{}, a.Pairs...)})
}

// outward is the reserve as it leaves the program: without the list of
// strokes, and with no number in it while the reserve is not known.
func outward(f reserve.Figures) reserve.Figures {
	f.Strokes = nil
	if !f.Known {
		no := signal.Unknown()
		f.AtLeast, f.Expected, f.FullCharge, f.Limit, f.AtLeastLimit = no, no, no, reserve.NoLimit, reserve.NoLimit
		f.UsableOil, f.UsableAtLeast, f.HoldTime, f.TimeToFull, f.TimeToFullOne = no, no, no, no, no
		if f.Reason == "" {
			f.Reason = "no reason given"
		}
	}
	return f
}
