package registers

import (
	"net"
	"net/netip"
	"sync"
	"time"
)

// clients are those that are connected; safe for concurrent use.
type clients struct {
	mu sync.Mutex
	in map[*client]bool
}

// client is one connection, and when something was last heard on it.
type client struct {
	net.Conn
	from  netip.Addr
	mu    sync.Mutex
	heard time.Time
}

// Read implements net.Conn.
func (c *client) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if n > 0 {
		c.mu.Lock()
		c.heard = time.Now()
		c.mu.Unlock()
	}
	return n, err
}

func (c *client) lastHeard() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.heard
}

// admit gives who has to go for a new client, which may be itself; nil:
// nobody. Where as many as allowed are there, the address that has most of
// them gives up the one that has been silent for longest, unless the new one's
// would have more then: nobody keeps others out by holding all places.
func (all *clients) admit(c *client) (out *client) {
	all.mu.Lock()
	defer all.mu.Unlock()
	if len(all.in) >= mostClients {
		if out = all.most(c.from); out == nil {
			return c
		}
		delete(all.in, out)
	}
	if all.in == nil {
		all.in = map[*client]bool{}
	}
	all.in[c] = true
	return out
}

// most is the client, silent for longest, of the address that has most of
// them; nil where that is not two more than the new one's has.
func (all *clients) most(from netip.Addr) (out *client) {
	held := map[netip.Addr]int{}
	for c := range all.in {
		held[c.from]++
	}
	greedy := from
	for a, n := range held {
		if n > held[greedy] {
			greedy = a
		}
	}
	if held[greedy] < held[from]+2 {
		return nil
	}
	for c := range all.in {
		if c.from == greedy && (out == nil || c.lastHeard().Before(out.lastHeard())) {
			out = c
		}
	}
	return out
}

func (all *clients) leave(c *client) {
	all.mu.Lock()
	defer all.mu.Unlock()
	delete(all.in, c)
}

// network is the address for which clients are counted. One machine has all
// of an IPv6 network of 64 bits to come from (RFC 4291, section 2.5.1).
func network(a net.Addr) netip.Addr {
	at, err := netip.ParseAddrPort(a.String())
	if err != nil {
		return netip.Addr{}
	}
	ip := at.Addr().Unmap().WithZone("")
	if ip.Is6() && !ip.IsLoopback() {
		if p, err := ip.Prefix(64); err == nil {
			ip = p.Masked().Addr()
		}
	}
	return ip
}
