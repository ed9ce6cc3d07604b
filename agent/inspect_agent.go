package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"runtime"
	"strconv"
	"strings"
	"time"

	"strokebank/agent/internal/authority"
	"strokebank/sensors/signal"
)

// runningAgent is the agent that runs on the inspected file, as its page shows
// it; the zero value is one that does not run.
type runningAgent struct {
	answers bool // its page does
	alive   bool // the page does not, but somebody writes the store's heartbeat
	version string
	figures map[string]float64 // of the metrics, without labels
	units   map[string]map[string]seenPoint
	closed  string // why its readings cannot be had; empty where they can
}

// seenPoint is one reading at the running agent.
type seenPoint struct {
	Quality signal.Quality `json:"quality"`
	Reason  signal.Reason  `json:"reason"`
}

// versions says what this program is; what runs is told with the agent.
func (in *inspection) versions() {
	in.well("version", "This is strokebank %s, commit %s, made with %s for %s/%s, on %s.",
		release, commit(), runtime.Version(), runtime.GOOS, runtime.GOARCH, kernel())
}

// beatLimit is how old a heartbeat may be of an agent that runs: it writes one
// a minute at least.
const beatLimit = 90 * time.Second

// agent asks the page of the agent that may be running. Only healthz is open
// to everybody; the rest may want the secret of who may see.
func (in *inspection) agent(ctx context.Context, past *pastEvents) *runningAgent {
	r := &runningAgent{units: map[string]map[string]seenPoint{}}
	var health struct {
		Status string
		Units  []struct {
			Unit  string
			Age   float64 `json:"age_seconds"`
			Fresh bool
		}
	}
	page, err := in.page()
	if err == nil {
		_, err = page.get(ctx, "/healthz", &health)
	}
	if err != nil || health.Status == "" {
		in.noPage(r, past, err)
		return r
	}
	r.answers = true
	var stuck []string
	if health.Status != "fresh" && len(health.Units) == 0 {
		stuck = []string{"its units (" + health.Status + ")"}
	}
	for _, u := range health.Units {
		if !u.Fresh {
			stuck = append(stuck, fmt.Sprintf("%s (last scan %.0f s ago)", u.Unit, u.Age))
		}
	}
	in.readAgent(ctx, page, r)
	switch {
	case len(stuck) > 0:
		in.add(attention, "agent", "The agent runs, but is not up to date with "+strings.Join(stuck, ", ")+".",
			"Look at its log (journalctl -u strokebank); restart it if the log says nothing.")
	case r.closed != "":
		in.add(notSeen, "agent", "The agent runs and is up to date, but its page tells nothing more: "+r.closed+".",
			"Run inspect as a user who may read the secret, or hand it over: -secret-file - reads it from standard input.")
	case r.version != release:
		in.add(attention, "agent", fmt.Sprintf("The agent that runs is %s, and this program is %s.", r.version, release),
			"Restart the service, so that the installed version runs.")
	default:
		in.well("agent", "The agent runs, is of the same version, and every unit is up to date.")
	}
	return r
}

// noPage tells an agent that does not run from one whose page is not there.
func (in *inspection) noPage(r *runningAgent, past *pastEvents, err error) {
	var newest time.Time
	for _, u := range in.cfg.Units {
		if at := past.beat(u.Rules.Unit); at.After(newest) {
			newest = at
		}
	}
	if age := in.Time.Sub(newest); !newest.IsZero() && age < beatLimit {
		r.alive = true
		in.add(attention, "agent", fmt.Sprintf("The agent seems to run, its heartbeat is of %s, but its page at %s does not answer.", ago(in.Time, newest), in.cfg.HTTP.Listen),
			fmt.Sprintf("If it was stopped just now, inspect again after %v; else see whether it runs with this file, and whether http.listen is right.", beatLimit))
		return
	}
	says := "The agent does not run"
	if !newest.IsZero() {
		says += "; its last heartbeat is of " + ago(in.Time, newest)
	}
	f := in.add(attention, "agent", says+".", "Start it (systemctl start strokebank) once the rest of this list is in order.")
	if err != nil {
		f.Details = []string{err.Error()}
	}
}

// readAgent takes in what the page shows.
func (in *inspection) readAgent(ctx context.Context, p *pageOf, r *runningAgent) {
	var index struct{ Version string }
	if code, err := p.get(ctx, "/api/v1/", &index); err != nil {
		if r.closed = err.Error(); code == http.StatusUnauthorized {
			r.closed = "it wants the secret of who may see" + p.without
		}
		return
	}
	r.version = index.Version
	for _, u := range in.cfg.Units {
		var a struct {
			Readings []struct {
				ID      string
				Reading seenPoint
			}
		}
		name := u.Rules.Unit
		if _, err := p.get(ctx, "/api/v1/units/"+url.PathEscape(name), &a); err != nil {
			r.closed = err.Error()
			continue
		}
		r.units[name] = map[string]seenPoint{}
		for _, x := range a.Readings {
			r.units[name][x.ID] = x.Reading
		}
	}
	var text string
	if _, err := p.get(ctx, "/metrics", &text); err == nil {
		r.figures = figuresIn(text)
	}
}

// figuresIn are the series without labels.
func figuresIn(text string) map[string]float64 {
	out := map[string]float64{}
	for line := range strings.Lines(text) {
		name, number, _ := strings.Cut(strings.TrimSpace(line), " ")
		if v, err := strconv.ParseFloat(number, 64); err == nil && !strings.ContainsAny(name, "#{") {
			out[name] = v
		}
	}
	return out
}

// pageOf is the page of the running agent.
type pageOf struct {
	client  *http.Client
	base    string
	secret  string
	without string // why there is no secret
}

// page is where the agent's page must be, asked from this machine.
func (in *inspection) page() (*pageOf, error) {
	host, port, err := net.SplitHostPort(in.cfg.HTTP.Listen)
	if err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	a := asked{at: net.JoinHostPort(host, port), certificate: in.cfg.HTTP.CertificateFile}
	client, scheme, err := a.client()
	if err != nil {
		return nil, err
	}
	client.Timeout = 10 * time.Second
	p := &pageOf{client: client, base: scheme + a.at}
	p.secret, p.without = in.seeSecret()
	return p, nil
}

// seeSecret is the secret of who may see. One that is kept in its stored form
// cannot be read there.
func (in *inspection) seeSecret() (secret, without string) {
	file, text := in.cfg.Access.SeeFile, cmp.Or(in.given, os.Getenv(in.cfg.Access.SeeEnv))
	if file != "" && in.given == "" {
		b, err := os.ReadFile(file)
		if err != nil {
			return "", ", which cannot be read here"
		}
		text = string(b)
	}
	first, _, _ := strings.Cut(text, "\n")
	first = strings.TrimRight(first, "\r")
	if authority.IsStored(first) {
		return "", ", of which only the stored form is here"
	}
	return first, ""
}

// get asks for one path; into is a *string or what JSON is read into. An
// answer of 503 is one too: healthz says with it who is not fresh.
func (p *pageOf) get(ctx context.Context, path string, into any) (code int, err error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, p.base+path, nil)
	if err != nil {
		return 0, err
	}
	if p.secret != "" {
		r.Header.Set("Authorization", "Bearer "+p.secret)
	}
	answer, err := p.client.Do(r)
	if err != nil {
		return 0, err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(io.LimitReader(answer.Body, 8<<20))
	switch {
	case err != nil:
		return answer.StatusCode, err
	case answer.StatusCode != http.StatusOK && answer.StatusCode != http.StatusServiceUnavailable:
		return answer.StatusCode, fmt.Errorf("%s answers %s", path, answer.Status)
	}
	if s, ok := into.(*string); ok {
		*s = string(text)
		return answer.StatusCode, nil
	}
	if err := json.Unmarshal(text, into); err != nil {
		return answer.StatusCode, fmt.Errorf("%s is not from this agent: %w", path, err)
	}
	return answer.StatusCode, nil
}
