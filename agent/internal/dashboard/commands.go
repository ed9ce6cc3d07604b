package dashboard

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"strings"
	"time"

	"strokebank/rules"
)

// The bounds of a request that brings something.
const (
	longestBody = 4096 // bytes
	commandWait = 30 * time.Second
)

// receive reads the JSON of a request strictly; where it cannot, it answers
// and gives false. That the content has to be called JSON keeps plain forms of
// other pages out, before the check of where the request comes from.
func receive(w http.ResponseWriter, r *http.Request, into any) bool {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "application/json" {
		refuse(w, http.StatusUnsupportedMediaType, "send application/json")
		return false
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, longestBody))
	d.DisallowUnknownFields()
	err = d.Decode(into)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("something stands behind the object")
		}
	}
	if err != nil {
		refuse(w, http.StatusBadRequest, "not what is expected here: "+err.Error())
		return false
	}
	return true
}

// wish is the body of a command.
type wish struct {
	ID     string      `json:"id"` // empty: the agent chooses one
	Order  rules.Order `json:"command"`
	Unit   string      `json:"unit"`
	Source string      `json:"source"`
	Alarm  string      `json:"alarm"`
	By     string      `json:"by"` // where no log-in says it
	Reason string      `json:"reason"`
	Until  time.Time   `json:"until"`

	Serial       string  `json:"serial"`
	SecondsSoFar float64 `json:"seconds_so_far"`
	StartsSoFar  float64 `json:"starts_so_far"`
	Task         string  `json:"task"`

	Failure string    `json:"failure"`
	Mode    string    `json:"failure_mode"`
	At      time.Time `json:"at"`
}

// command takes a command: 200 with the outcome where it is accepted, 409
// where the unit refuses it, 401 and 403 where the reader may not, 504 where
// nobody knows yet what came of it.
func (h *handler) command(w http.ResponseWriter, r *http.Request) {
	v := h.visitor(r)
	switch {
	case v.err != nil || v.role == "":
		h.turnAway(w, v.err)
		return
	case v.role != rules.Act || h.Commands == nil:
		refuse(w, http.StatusForbidden, "you may see and not act: log in with the secret for acting, or have one configured")
		return
	}
	var in wish
	if !receive(w, r, &in) {
		return
	}
	c := rules.Command{ID: in.ID, Order: in.Order, Unit: in.Unit, Source: in.Source, Alarm: in.Alarm, By: in.By, Role: v.role,
		Via: via(r), Reason: in.Reason, Until: in.Until, Serial: in.Serial, SecondsSoFar: in.SecondsSoFar, StartsSoFar: in.StartsSoFar, Task: in.Task,
		Failure: in.Failure, Mode: in.Mode, At: in.At}
	if v.by != "" {
		c.By = v.by
	}
	if c.ID == "" {
		c.ID = rand.Text()
	}
	// With slow scans the wait is longer than other answers may take. Where
	// there is no deadline to set, nothing is cut off.
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(h.CommandWait + writeTimeout))
	ctx, cancel := context.WithTimeout(r.Context(), h.CommandWait)
	defer cancel()
	out, err := h.Commands.Submit(ctx, c)
	if err != nil {
		h.Log.Warn("command without an outcome", "unit", c.Unit, "command", c.Order, "cause", err)
		refuse(w, http.StatusGatewayTimeout, err.Error())
		return
	}
	status := http.StatusOK
	if !out.Accepted {
		status = http.StatusConflict
	}
	reply(w, status, out)
}

// via is how a command came, for the journal.
func via(r *http.Request) string {
	switch {
	case r.Header.Get("Sec-Fetch-Site") != "" || r.Header.Get("Origin") != "":
		return "page"
	case strings.HasPrefix(r.UserAgent(), CommandLine):
		return "command line"
	default:
		return "interface"
	}
}

// CommandLine begins the User-Agent of the program's own command line.
const CommandLine = "strokebank-act"
