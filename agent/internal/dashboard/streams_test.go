package dashboard

import (
	"context"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	cdpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// relay passes bytes on between a browser and the agent. While it stalls it
// keeps what comes, as a network does that hangs without a word.
type relay struct {
	net.Listener
	mu      sync.Mutex
	turned  *sync.Cond
	open    bool
	left    int // bytes that still pass while it is shut
	waiting int // bytes that it holds
	conns   []net.Conn
}

func newRelay(t *testing.T, to string) *relay {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &relay{Listener: l, open: true}
	r.turned = sync.NewCond(&r.mu)
	var all sync.WaitGroup
	all.Go(func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				in.Close()
				continue
			}
			r.mu.Lock()
			r.conns = append(r.conns, in, out)
			r.mu.Unlock()
			all.Go(func() { _, _ = io.Copy(out, in); out.Close() })
			all.Go(func() { r.pass(in, out); in.Close() })
		}
	})
	t.Cleanup(func() {
		l.Close()
		r.become(true)
		r.mu.Lock()
		for _, c := range r.conns {
			c.Close()
		}
		r.mu.Unlock()
		all.Wait()
	})
	return r
}

// pass hands on what the agent says, or keeps it.
func (r *relay) pass(to io.Writer, from io.Reader) {
	var kept []byte
	var mu sync.Mutex
	ended := false
	go func() {
		buffer := make([]byte, 32<<10)
		for {
			n, err := from.Read(buffer)
			mu.Lock()
			kept, ended = append(kept, buffer[:n]...), err != nil
			mu.Unlock()
			r.mu.Lock()
			r.waiting += n
			r.turned.Broadcast()
			r.mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	for {
		r.mu.Lock()
		for {
			mu.Lock()
			something, over := len(kept) > 0, ended
			mu.Unlock()
			if something && (r.open || r.left > 0) {
				break
			}
			if !something && over {
				r.mu.Unlock()
				return
			}
			r.turned.Wait()
		}
		mu.Lock()
		n := len(kept)
		if !r.open {
			n = min(n, r.left)
			r.left -= n
		}
		some := append([]byte(nil), kept[:n]...)
		kept = kept[n:]
		mu.Unlock()
		r.waiting -= n
		r.mu.Unlock()
		if _, err := to.Write(some); err != nil {
			return
		}
	}
}

func (r *relay) become(open bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.open = open
	r.turned.Broadcast()
}

// held is how much waits by now.
func (r *relay) held() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.waiting
}

// flush lets n bytes pass of what is held.
func (r *relay) flush(n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.left = n
	r.turned.Broadcast()
}

// through is the page of a plant behind the relay.
func (r *relay) through(t *testing.T, ctx context.Context) *reader {
	t.Helper()
	return (&Server{listener: r}).at(t, ctx, "", 1280, 900)
}

// A network that hangs without a word, and then delivers what is old: the page
// says within three seconds that it hears nothing, and old news do not bring it
// back to life.
func TestHangingNetworkIsNoticed(t *testing.T) {
	ctx := browser(t)
	net := newRelay(t, newPlant(t, just(stored)).Addr().String())
	r := net.through(t, ctx)
	r.alive()
	see[bool](r, witness)
	net.become(false)
	r.wait(`window.took !== null`)
	took := see[float64](r, `window.took`)
	t.Logf("noticed after %.0f ms", took)
	if took > 3000 {
		t.Errorf("it took the page %.0f ms to notice", took)
	}
	r.contains("#banner", "No data since", "does not hear from the agent")
	old := net.held()
	see[bool](r, `(window.revived = 0, window.beats = 0, new MutationObserver(() => { if (!document.body.classList.contains("lost")) window.revived++; })
		.observe(document.body, { attributes: true }), window.began = performance.now(), true)`)
	r.wait(`performance.now() - window.began > 2500`) // what is held grows old
	see[bool](r, `(window.clockThen = document.querySelector("#clock").textContent, true)`)
	net.flush(old)
	r.wait(`document.querySelector("#clock").textContent.split("last scan")[1] !== window.clockThen.split("last scan")[1]`) // it has come
	r.wait(`(window.seen = window.seen || performance.now(), performance.now() - window.seen > 600)`)
	if n := see[int](r, `window.revived`); n > 0 {
		t.Error("old news made the page look alive")
	}
	net.become(true)
	r.alive()
	r.quiet()
}

// A tab that slept while the agent was killed says so before anybody can take
// it for alive.
func TestTabThatSlept(t *testing.T) {
	ctx := browser(t)
	p := newPlant(t, just(stored))
	r := p.at(t, ctx, "", 1280, 900)
	r.alive()
	see[bool](r, `(window.slept = 0, window.woke = null, window.lostAt = null,
		document.addEventListener("freeze", () => { window.slept = performance.now(); }),
		document.addEventListener("resume", () => { window.woke = performance.now(); }, true),
		new MutationObserver(() => { if (window.lostAt === null && document.body.classList.contains("lost")) window.lostAt = performance.now(); })
			.observe(document.body, { attributes: true }), true)`)
	r.sleep("frozen")
	p.stop()
	<-time.After(4 * time.Second) // the browser's own clock has to go on
	r.sleep("active")
	r.wait(`window.woke !== null && window.lostAt !== null`)
	slept, took := see[float64](r, `window.woke - window.slept`), see[float64](r, `window.lostAt - window.woke`)
	t.Logf("slept %.0f ms, said so %.0f ms after it woke", slept, took)
	if slept < 3000 || took < 0 {
		t.Errorf("the tab did not sleep: %.0f ms, %.0f", slept, took)
	}
	if took > 100 {
		t.Errorf("a tab that woke up looked alive for %.0f ms", took)
	}
	r.contains("#banner", "No data since")
}

// sleep freezes the tab, as a browser does to one in the background, or wakes
// it.
func (r *reader) sleep(state cdpage.SetWebLifecycleStateState) {
	r.t.Helper()
	_, err := chromedp.Run(r.ctx, func(ctx context.Context, tab *chromedp.Target) (struct{}, error) {
		_, err := cdp.Call(ctx, tab, cdpage.SetWebLifecycleState, cdpage.SetWebLifecycleStateParams{State: state})
		return struct{}{}, err
	})
	if err != nil {
		r.t.Fatal(err)
	}
}
