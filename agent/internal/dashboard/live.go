package dashboard

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// frame is one assessment as JSON, and as an event of a stream, plain and
// packed: body lies within event, and packed is nil until somebody wants it.
type frame struct {
	of                  *rules.Assessment
	body, event, packed []byte
}

// The event around an assessment.
const eventHead, eventEnd = "event: assessment\ndata: ", "\n\n"

// frames keeps the newest encoded form of each unit, so that an assessment
// is encoded once however many look at it. It holds one frame per unit.
type frames struct {
	mu   sync.Mutex
	last map[string]frame
	pack packer
}

func (c *frames) of(a *rules.Assessment) (frame, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	key := a.Site + "\x00" + a.Unit
	if f := c.last[key]; f.of == a {
		return f, nil
	}
	body, err := json.Marshal(a)
	if err != nil {
		return frame{}, err
	}
	if c.last == nil {
		c.last = map[string]frame{}
	}
	event := slices.Concat([]byte(eventHead), body, []byte(eventEnd))
	f := frame{of: a, body: event[len(eventHead) : len(event)-len(eventEnd)], event: event}
	c.last[key] = f
	return f, nil
}

// packed is the frame of an assessment with its event packed, once however
// many look at it.
func (c *frames) packed(a *rules.Assessment) (frame, error) {
	f, err := c.of(a)
	if err != nil || f.packed != nil {
		return f, err
	}
	f.packed = c.pack.part(f.event)
	c.mu.Lock()
	defer c.mu.Unlock()
	if key := a.Site + "\x00" + a.Unit; c.last[key].of == a {
		c.last[key] = f
	}
	return f, nil
}

// live is a stream of server-sent events. There is no queue: a stream that
// falls behind gets the newest assessment next, and one whose reader takes
// nothing for the time of patience is ended.
func (h *handler) live(w http.ResponseWriter, r *http.Request) {
	select {
	case h.streams <- struct{}{}:
		defer func() { <-h.streams }()
	default:
		w.Header().Set("Retry-After", "5")
		refuse(w, http.StatusServiceUnavailable, "too many live streams are open")
		return
	}
	head := w.Header()
	head.Set("Content-Type", "text/event-stream; charset=utf-8")
	head.Set("Vary", "Accept-Encoding")
	head.Set("X-Accel-Buffering", "no") // asks a proxy in between not to hold events back
	if r.Method == http.MethodHead {
		return
	}
	s := stream{h: h, w: w, rc: http.NewResponseController(w), sent: map[string]*rules.Assessment{}, glanced: map[string][]byte{}}
	if of, given := r.URL.Query()["unit"]; given {
		s.some, s.unit = true, of[0]
	}
	s.resume(r.Header.Get("Last-Event-ID"))
	if takesGzip(strings.Join(r.Header.Values("Accept-Encoding"), ",")) {
		head.Set("Content-Encoding", "gzip")
		s.zip = &zip{}
	}
	if err := s.run(r); err != nil {
		h.Log.Info("live stream ended", "reader", r.RemoteAddr, "cause", err)
	} else if s.zip != nil {
		_ = s.send(s.zip.end()) // the reader may have gone
	}
}

// The bounds of a stream. *Common practice, no source.*
const (
	recheck       = 5 * time.Second // until who has logged out, or whose secret was changed, sees no more
	entriesAtOnce = 100
	retryAfter    = time.Second
)

// stream is one open live stream; it belongs to its request's goroutine.
type stream struct {
	h     *handler
	w     http.ResponseWriter
	rc    *http.ResponseController
	zip   *zip   // nil where the reader wants it plain
	some  bool   // the reader wants the whole of one unit only
	unit  string // which; empty: the only one there is
	sent  map[string]*rules.Assessment
	asked time.Time // when it was last looked whether the reader may see
	told  time.Time // when the list of units was last written
	last  uint64    // sequence number of the last entry that was written, or passed over at the beginning
	deaf  bool      // the history could not be read the last time

	glanced map[string][]byte // the last glance of each unit
}

// errEnded says that the log-in of a stream has ended.
var errEnded = errors.New("its reader may not see any more")

// resume begins behind the entry that a reader has had last; a new reader
// gets what happens from now on. A number that the history does not have yet
// is from another one.
func (s *stream) resume(id string) {
	s.last = s.h.Events.Newest()
	if n, err := strconv.ParseUint(id, 10, 63); err == nil && n < s.last {
		s.last = n
	}
}

func (s *stream) run(r *http.Request) error {
	hello := struct {
		Version    string    `json:"version"`
		StaleAfter float64   `json:"stale_after_seconds"`
		USUnits    bool      `json:"us_units"`
		Newest     uint64    `json:"newest_event"`
		Time       time.Time `json:"time"`
		Running    float64   `json:"running_seconds"` // of the agent
		Units      []string  `json:"units"`           // all, read or not
		Past       bool      `json:"trends"`
		Suppose    bool      `json:"suppose"`
	}{s.h.Version, s.h.StaleAfter.Seconds(), s.h.USUnits, s.h.Events.Newest(), s.h.Now().UTC(), time.Since(s.h.began).Seconds(), s.h.names(), s.h.Past != nil, s.h.Suppose != nil}
	// A browser that lost the stream asks again after this time, in ms.
	if err := s.write(fmt.Appendf(nil, "retry: %d\n", retryAfter.Milliseconds())); err != nil {
		return err
	}
	if err := s.put("hello", hello); err != nil {
		return err
	}
	beat := time.NewTicker(s.h.beat)
	defer beat.Stop()
	s.asked = time.Now()
	for {
		changed := s.h.Units.Changed()
		if err := s.news(); err != nil {
			return err
		}
		if err := s.list(); err != nil {
			return err
		}
		if err := s.wait(r, changed, beat.C); err != nil || r.Context().Err() != nil {
			return err
		}
	}
}

// wait returns when something has changed, but not sooner than the gap
// after the last assessment, and beats meanwhile.
func (s *stream) wait(r *http.Request, changed <-chan struct{}, beat <-chan time.Time) error {
	gap := time.NewTimer(s.h.gap)
	defer gap.Stop()
	due := (<-chan struct{})(nil)
	for {
		select {
		case <-r.Context().Done():
			return nil
		case <-gap.C:
			due = changed
		case <-due:
			return nil
		case <-beat:
			if err := s.pulse(r); err != nil {
				return err
			}
		}
	}
}

// pulse is one beat, with the entries since the last one before it.
func (s *stream) pulse(r *http.Request) error {
	if time.Since(s.asked) >= s.h.recheck {
		if s.asked = time.Now(); s.h.visitor(r).role == "" {
			return errEnded
		}
	}
	if err := s.entries(r.Context()); err != nil {
		return err
	}
	if err := s.list(); err != nil {
		return err
	}
	// The running time goes on whatever is done to the clock: a page tells by
	// it how late a beat comes.
	return s.put("beat", map[string]any{"time": s.h.Now().UTC(), "newest_event": s.h.Events.Newest(), "running_seconds": time.Since(s.h.began).Seconds()})
}

// list writes all units in a few fields, for who looks at none of several.
func (s *stream) list() error {
	if !s.some || s.unit != "" || s.h.single() || time.Since(s.told) < listEvery {
		return nil
	}
	s.told = time.Now()
	return s.put("units", s.h.listed())
}

// news writes every assessment that this reader has not had yet, and of the
// units that it does not look at what is urgent in them, when that changes.
func (s *stream) news() error {
	for _, a := range s.h.Units.Latest() {
		key := a.Site + "\x00" + a.Unit
		if s.sent[key] == a {
			continue
		}
		s.sent[key] = a
		var err error
		if !s.some || a.Unit == s.unit || (s.unit == "" && s.h.single()) {
			err = s.whole(a)
		} else if event := s.glance(a, key); len(event) > 0 {
			err = s.write(event)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (s *stream) whole(a *rules.Assessment) error {
	take := s.h.frames.of
	if s.zip != nil {
		take = s.h.frames.packed
	}
	f, err := take(a)
	if err != nil {
		// The page sees that no new scan comes and says so.
		s.h.Log.Error("assessment cannot be written as JSON", "unit", a.Unit, "error", err)
		return nil
	}
	if s.zip != nil {
		return s.send(s.zip.add(f.event, f.packed))
	}
	return s.send(f.event)
}

// glance is what is urgent in a unit.
type glance struct {
	Schema    int         `json:"schema"`
	Site      string      `json:"site"`
	Unit      string      `json:"unit"`
	PowerLost bool        `json:"power_lost"`
	Alarms    []glancedAt `json:"alarms"` // that need someone
}

// glancedAt is an alarm without what moves from scan to scan.
type glancedAt struct {
	Name     string         `json:"alarm"`
	Source   string         `json:"source"`
	Title    string         `json:"title"`
	State    alarm.State    `json:"state"`
	Priority alarm.Priority `json:"priority"`
	Since    time.Time      `json:"since,omitzero"`
	Action   string         `json:"action"`
}

// glance is empty where nothing has changed. With fifty units whole
// assessments would be five megabytes a second.
func (s *stream) glance(a *rules.Assessment, key string) []byte {
	g := glance{a.Schema, a.Site, a.Unit, a.PowerLost, []glancedAt{}}
	for _, al := range a.Alarms {
		if needsSomeone(al.State) {
			g.Alarms = append(g.Alarms, glancedAt{al.Name, al.Source, al.Title, al.State, al.Priority, al.Since, al.Action})
		}
	}
	body, err := json.Marshal(g)
	if err != nil {
		s.h.Log.Error("glance at a unit cannot be written as JSON", "unit", a.Unit, "error", err)
		return nil
	}
	if bytes.Equal(body, s.glanced[key]) {
		return nil
	}
	s.glanced[key] = body
	return slices.Concat([]byte("event: glance\ndata: "), body, []byte(eventEnd))
}

// entries writes what has entered the journal since the last time, at most a
// page of it: the rest follows with the next beat.
func (s *stream) entries(ctx context.Context) error {
	newest := s.h.Events.Newest()
	s.last = min(s.last, newest) // a record that came back counts anew
	if newest == s.last {
		return nil
	}
	found, err := s.h.Events.Entries(ctx, s.last, entriesAtOnce)
	if err != nil {
		if !s.deaf { // it is asked again, and again, until it answers
			s.h.Log.Error("events cannot be read for a live stream", "after", s.last, "error", err)
		}
		s.deaf = true
		return nil
	}
	s.deaf = false
	for _, e := range found {
		body, err := json.Marshal(e)
		if err != nil {
			return err
		}
		if err := s.write(fmt.Appendf(nil, "id: %d\nevent: entry\ndata: %s\n\n", e.Seq, body)); err != nil {
			return err
		}
		s.last = e.Seq
	}
	return nil
}

func (s *stream) put(event string, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return s.write(fmt.Appendf(nil, "event: %s\ndata: %s\n\n", event, body))
}

func (s *stream) write(event []byte) error {
	if s.zip != nil {
		event = s.zip.add(event, s.h.frames.pack.part(event))
	}
	return s.send(event)
}

func (s *stream) send(event []byte) error {
	if err := s.rc.SetWriteDeadline(time.Now().Add(s.h.patience)); err != nil {
		return fmt.Errorf("stream without a write deadline: %w", err)
	}
	if _, err := s.w.Write(event); err != nil {
		return err
	}
	return s.rc.Flush()
}
