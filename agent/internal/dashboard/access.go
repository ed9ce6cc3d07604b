package dashboard

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"strokebank/rules"
)

// gate knows who may see and who may act.
type gate interface {
	// Needs reports whether a role needs a secret.
	Needs(role rules.Role) bool
	// EnterAs is the role that a secret opens, and its mark; from is who asks
	// and name who they say they are, for the throttle. It may have to wait,
	// and then not longer than ctx.
	EnterAs(ctx context.Context, secret, from, name string) (role rules.Role, mark string, err error)
	// Mark stands for the secret that a role has now; empty where none can be
	// read.
	Mark(role rules.Role) string
}

// commander takes commands to their unit and waits for the answer.
type commander interface {
	Submit(ctx context.Context, c rules.Command) (rules.Outcome, error)
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
		role, _, err := h.Gate.EnterAs(r.Context(), secret, h.place(r), "")
		if err != nil {
			h.refused(r, "a program", err)
		}
		return visitor{role: role, err: err}
	}
	if c, err := r.Cookie(h.cookieName(r)); err == nil && h.Gate != nil {
		if one, ok := h.LogIns.find(c.Value, h.Now(), h.Gate.Mark); ok {
			return visitor{role: one.role, by: one.by}
		}
	}
	switch {
	case h.Gate == nil:
		return visitor{role: rules.See}
	case !h.Gate.Needs(rules.Act) && !h.Gate.Needs(rules.See) && !h.BehindProxy && loopback(h.remote(r)):
		return visitor{role: rules.Act}
	case !h.Gate.Needs(rules.See):
		return visitor{role: rules.See}
	}
	return visitor{}
}

// remote is the address of who asks. Of what a proxy says only the last
// address in X-Forwarded-For is its own word; the ones before it were sent to
// it.
func (h *handler) remote(r *http.Request) string {
	if h.BehindProxy {
		if all := r.Header.Values("X-Forwarded-For"); len(all) > 0 {
			list := all[len(all)-1]
			if ip, err := netip.ParseAddr(strings.TrimSpace(list[strings.LastIndexByte(list, ',')+1:])); err == nil {
				return ip.String()
			}
		}
	}
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// place is who asks, for the throttle.
func (h *handler) place(r *http.Request) string {
	from := h.remote(r)
	if ip, err := netip.ParseAddr(from); err == nil {
		return network(ip).String()
	}
	return from
}

// network is the address for which is counted what comes from another. One
// machine has all of an IPv6 network of 64 bits to come from (RFC 4291, section
// 2.5.1).
func network(ip netip.Addr) netip.Addr {
	ip = ip.Unmap().WithZone("")
	if ip.Is4() || ip.IsLoopback() {
		return ip
	}
	p, _ := ip.Prefix(64) // an address of 128 bits has one
	return p.Addr()
}

// watched lets only those through who may see.
func (h *handler) watched(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := h.visitor(r)
		if v.role == "" {
			h.turnAway(w, v.err)
			return
		}
		letIn(r.Context())
		next.ServeHTTP(w, r)
	})
}

// temporary reports whether who has got an error has done nothing wrong and may
// ask again at once.
func temporary(err error) bool {
	var t interface{ Temporary() bool }
	return errors.As(err, &t) && t.Temporary()
}

// turnAway answers who may not.
func (h *handler) turnAway(w http.ResponseWriter, err error) {
	if temporary(err) {
		w.Header().Set("Retry-After", "5")
		refuse(w, http.StatusServiceUnavailable, err.Error())
		return
	}
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
