package dashboard

import (
	"crypto/rand"
	"crypto/sha256"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"strokebank/rules"
)

// The bounds of log-ins. *Common practice, no source.*
const (
	mostLogins = 64 // of one role at once; one more ends the one that idles longest
	loginLasts = 12 * time.Hour
	// loginIdles is how long one lasts without any request. A page that is
	// open asks by itself, so this is the time after it was closed.
	loginIdles = 30 * time.Minute
)

// secure reports whether the reader's side of the connection is encrypted.
func (h *handler) secure(r *http.Request) bool { return r.TLS != nil || h.BehindProxy }

// cookieName has the port in it, because a browser's cookies do not: the
// agents of one machine would log each other's readers out. Over TLS its
// beginning lets a browser take it from this host only, with Secure, and for
// the whole host (RFC 6265bis, section 4.1.3.2).
func (h *handler) cookieName(r *http.Request) string {
	name := "strokebank"
	if _, port, err := net.SplitHostPort(r.Host); err == nil {
		name += "-" + port
	}
	if h.secure(r) {
		return "__Host-" + name
	}
	return name
}

// login is one browser that has shown a secret; mark stands for that secret.
type login struct {
	by          string
	role        rules.Role
	mark        string
	since, last time.Time
}

// LogIns holds the open log-ins of the page by the hash of their token. Given
// to the handler of a configuration that was read again they live on; nothing
// of it outlives the process. The zero value has none. Safe for concurrent use.
type LogIns struct {
	refused atomic.Uint64
	telling telling

	mu   sync.Mutex
	open map[[sha256.Size]byte]login
}

// Refused is how many secrets the page has refused, from people and programs.
func (l *LogIns) Refused() uint64 { return l.refused.Load() }

// begin opens a log-in and gives its token.
func (l *LogIns) begin(by string, role rules.Role, mark string, now time.Time) string {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open == nil {
		l.open = map[[sha256.Size]byte]login{}
	}
	var idlest [sha256.Size]byte
	var last time.Time
	same := 0
	for key, one := range l.open {
		if one.role != role {
			continue // who may see must not end the log-ins of who may act
		}
		if same++; same == 1 || one.last.Before(last) {
			idlest, last = key, one.last
		}
	}
	if same >= mostLogins {
		delete(l.open, idlest)
	}
	token := rand.Text()
	l.open[sha256.Sum256([]byte(token))] = login{by, role, mark, now, now}
	return token
}

// find is the log-in of a token, if it has not ended; that it was asked for
// keeps it from idling. It ends with the secret that it came by: mark is what
// stands for a role's now. While that cannot be read it does not open either.
func (l *LogIns) find(token string, now time.Time, mark func(rules.Role) string) (login, bool) {
	key := sha256.Sum256([]byte(token))
	l.mu.Lock()
	one, ok := l.open[key]
	l.mu.Unlock()
	if !ok {
		return login{}, false
	}
	present := mark(one.role) // reads a file, so without the lock
	l.mu.Lock()
	defer l.mu.Unlock()
	if one, ok = l.open[key]; !ok || present == "" {
		return login{}, false
	}
	if present != one.mark || now.Sub(one.since).Abs() > loginLasts || now.Sub(one.last).Abs() > loginIdles {
		delete(l.open, key)
		return login{}, false
	}
	one.last = now
	l.open[key] = one
	return one, true
}

// end ends a log-in and says whose it was.
func (l *LogIns) end(token string) (login, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	key := sha256.Sum256([]byte(token))
	one, ok := l.open[key]
	delete(l.open, key)
	return one, ok
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
	role, mark, err := h.Gate.EnterAs(r.Context(), in.Secret, h.place(r), in.By)
	if err != nil {
		h.refused(r, in.By, err)
		h.turnAway(w, err)
		return
	}
	if old, err := r.Cookie(h.cookieName(r)); err == nil {
		h.LogIns.end(old.Value)
	}
	h.setCookie(w, r, h.LogIns.begin(in.By, role, mark, h.Now()), int(loginLasts.Seconds()))
	h.admitted(r, in.By, role)
	reply(w, http.StatusOK, map[string]any{"schema": rules.Schema, "role": role, "by": in.By})
}

// leave ends a log-in.
func (h *handler) leave(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(h.cookieName(r)); err == nil {
		if one, ok := h.LogIns.end(c.Value); ok {
			h.left(r, one.by, one.role)
		}
	}
	h.setCookie(w, r, "", -1)
	reply(w, http.StatusOK, map[string]any{"schema": rules.Schema})
}

func (h *handler) setCookie(w http.ResponseWriter, r *http.Request, token string, age int) {
	http.SetCookie(w, &http.Cookie{Name: h.cookieName(r), Value: token, Path: "/", MaxAge: age,
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: h.secure(r)})
}
