package dashboard

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"strokebank/rules"
)

// gate knows who may see and who may act.
type gate interface {
	// Needs reports whether a role needs a secret.
	Needs(role rules.Role) bool
	// Enter is the role that a secret opens; from is who asks, for the
	// throttle.
	Enter(secret, from string) (rules.Role, error)
}

// The bounds of log-ins. *Common practice, no source.*
const (
	mostLogins = 64 // at once; one more ends the oldest
	loginLasts = 12 * time.Hour
)

// cookieName has the port in it, because a browser's cookies do not: the
// agents of one machine would log each other's readers out.
func cookieName(r *http.Request) string {
	_, port, err := net.SplitHostPort(r.Host)
	if err != nil {
		return "strokebank"
	}
	return "strokebank-" + port
}

// login is one browser that has shown a secret.
type login struct {
	by    string
	role  rules.Role
	since time.Time
}

// logins holds the open ones by the hash of their token. Safe for concurrent
// use; nothing of it outlives the process.
type logins struct {
	mu   sync.Mutex
	open map[[sha256.Size]byte]login
}

// begin opens a log-in and gives its token.
func (l *logins) begin(by string, role rules.Role, now time.Time) string {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open == nil {
		l.open = map[[sha256.Size]byte]login{}
	}
	if len(l.open) >= mostLogins {
		var oldest [sha256.Size]byte
		first := now.Add(time.Hour)
		for key, one := range l.open {
			if one.since.Before(first) {
				oldest, first = key, one.since
			}
		}
		delete(l.open, oldest)
	}
	token := rand.Text()
	l.open[sha256.Sum256([]byte(token))] = login{by, role, now}
	return token
}

func (l *logins) find(token string, now time.Time) (login, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	key := sha256.Sum256([]byte(token))
	one, ok := l.open[key]
	if ok && now.Sub(one.since).Abs() > loginLasts {
		delete(l.open, key)
		return login{}, false
	}
	return one, ok
}

func (l *logins) end(token string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.open, sha256.Sum256([]byte(token)))
}

// visitor is who asks, and what they may do; the empty role may nothing.
type visitor struct {
	role rules.Role
	by   string // known from the log-in
	err  error  // why a secret that was shown does not open
}

// visitor finds out who asks: by the secret in the request, by the cookie of a
// log-in, or, where no secret is needed, by being on this machine.
func (h *handler) visitor(r *http.Request) visitor {
	if secret, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); ok && h.Gate != nil {
		role, err := h.Gate.Enter(secret, remote(r))
		return visitor{role: role, err: err}
	}
	if c, err := r.Cookie(cookieName(r)); err == nil {
		if one, ok := h.logins.find(c.Value, h.Now()); ok {
			return visitor{role: one.role, by: one.by}
		}
	}
	switch {
	case h.Gate == nil:
		return visitor{role: rules.See}
	case !h.Gate.Needs(rules.Act) && !h.Gate.Needs(rules.See) && loopback(remote(r)):
		return visitor{role: rules.Act}
	case !h.Gate.Needs(rules.See):
		return visitor{role: rules.See}
	}
	return visitor{}
}

func remote(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// watched lets only those through who may see.
func (h *handler) watched(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := h.visitor(r)
		if v.role == "" {
			h.turnAway(w, v.err)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// turnAway answers who may not.
func (h *handler) turnAway(w http.ResponseWriter, err error) {
	w.Header().Set("WWW-Authenticate", `Bearer realm="strokebank"`)
	why := "a secret is needed: log in on the page, or send it as Authorization: Bearer"
	if err != nil {
		why = err.Error()
	}
	refuse(w, http.StatusUnauthorized, why)
}

// who says what the reader may do.
func (h *handler) who(w http.ResponseWriter, r *http.Request) {
	v := h.visitor(r)
	reply(w, http.StatusOK, map[string]any{"schema": rules.Schema, "role": v.role, "by": v.by,
		"may_see": v.role != "", "may_act": v.role == rules.Act && h.Commands != nil, "log_in": h.canLogIn()})
}

// canLogIn reports whether there is any secret to log in with.
func (h *handler) canLogIn() bool {
	return h.Gate != nil && (h.Gate.Needs(rules.See) || h.Gate.Needs(rules.Act))
}

// enter opens a log-in.
func (h *handler) enter(w http.ResponseWriter, r *http.Request) {
	var in struct {
		By     string `json:"by"`
		Secret string `json:"secret"`
	}
	if !receive(w, r, &in) {
		return
	}
	if h.Gate == nil {
		refuse(w, http.StatusForbidden, "there is no log-in here")
		return
	}
	// The same rules as for a command's author.
	probe := rules.Command{ID: "x", Order: rules.Acknowledge, Unit: "x", By: in.By}
	if err := probe.Check(); err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	role, err := h.Gate.Enter(in.Secret, remote(r))
	if err != nil {
		h.Log.Warn("log-in refused", "from", remote(r), "cause", err)
		refuse(w, http.StatusUnauthorized, err.Error())
		return
	}
	token := h.logins.begin(in.By, role, h.Now())
	http.SetCookie(w, &http.Cookie{Name: cookieName(r), Value: token, Path: "/", MaxAge: int(loginLasts.Seconds()),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil})
	reply(w, http.StatusOK, map[string]any{"schema": rules.Schema, "role": role, "by": in.By})
}

// leave ends a log-in.
func (h *handler) leave(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(cookieName(r)); err == nil {
		h.logins.end(c.Value)
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName(r), Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil})
	reply(w, http.StatusOK, map[string]any{"schema": rules.Schema})
}

// commander takes commands to their unit and waits for the answer.
type commander interface {
	Submit(ctx context.Context, c rules.Command) (rules.Outcome, error)
}
