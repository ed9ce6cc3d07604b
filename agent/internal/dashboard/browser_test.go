package dashboard

import (
	"context"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"strokebank/rules"
)

const chromium = "/usr/bin/chromium"

// browser is one headless Chromium with a new profile, that can reach
// nothing but this machine.
func browser(t testing.TB) context.Context {
	t.Helper()
	if _, err := os.Stat(chromium); err != nil {
		t.Fatalf("the page's tests need Debian's package chromium: %v", err)
	}
	options := []chromedp.ExecAllocatorOption{
		chromedp.ExecPath(chromium), chromedp.UserDataDir(t.TempDir()),
		chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("disable-background-timer-throttling", true),
		chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"),
		chromedp.WSURLReadTimeout(time.Minute),
	}
	ctx, stop := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, closeTab := chromedp.NewContext(ctx)
	t.Cleanup(func() { closeTab(); stop() })
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	return ctx
}

// reader is a person before the page, in a tab of one size.
type reader struct {
	t      testing.TB
	ctx    context.Context
	mu     sync.Mutex
	errors []string
}

// at opens the page of s in a new tab.
func (s *Server) at(t testing.TB, ctx context.Context, query string, width, height int64) *reader {
	t.Helper()
	tab, closeTab := chromedp.NewContext(ctx)
	r := &reader{t: t, ctx: tab}
	if err := chromedp.Do(tab, chromedp.EmulateViewport(width, height)); err != nil {
		t.Fatal(err)
	}
	messages, ended := chromedp.Console(tab), make(chan struct{})
	go func() {
		defer close(ended)
		for m, err := range messages {
			if err == nil && (m.IsException() || strings.Contains(strings.ToLower(m.String()), "error")) {
				r.mu.Lock()
				r.errors = append(r.errors, m.String())
				r.mu.Unlock()
			}
		}
	}()
	t.Cleanup(func() { closeTab(); <-ended })
	if err := chromedp.Do(tab, chromedp.Navigate("http://"+s.Addr().String()+"/"+query)); err != nil {
		t.Fatal(err)
	}
	return r
}

// read is the text of the first element that selector finds.
func (r *reader) read(selector string) string {
	r.t.Helper()
	return see[string](r, `(document.querySelector(`+"`"+selector+"`"+`) || {innerText: "not there"}).innerText.replace(/\s+/g, " ")`)
}

// see evaluates an expression in the page.
func see[T any](r *reader, expression string) T {
	r.t.Helper()
	v, err := chromedp.Run(r.ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		r.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// wait returns once an expression is true in the page, which may be loading.
func (r *reader) wait(expression string) {
	r.t.Helper()
	look := time.NewTicker(50 * time.Millisecond)
	defer look.Stop()
	end := time.After(30 * time.Second)
	for {
		if ok, err := chromedp.Run(r.ctx, chromedp.Evaluate[bool](expression)); err == nil && ok {
			return
		}
		select {
		case <-look.C:
		case <-end:
			r.t.Fatalf("never true: %s; banner: %s", expression, r.read("#banner"))
		}
	}
}

func (r *reader) alive() {
	r.t.Helper()
	r.wait(`!document.body.classList.contains("lost") && document.querySelector("#at-least") !== null && document.querySelector(".events li") !== null`)
}

// night makes the page dark, as the system's own setting would.
func (r *reader) night() {
	r.t.Helper()
	_, err := chromedp.Run(r.ctx, func(ctx context.Context, tab *chromedp.Target) (struct{}, error) {
		return cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}},
		})
	})
	if err != nil {
		r.t.Fatal(err)
	}
}

func (r *reader) press(selector string) {
	r.t.Helper()
	see[bool](r, `(document.querySelector(`+"`"+selector+"`"+`).click(), true)`)
}

// contains reads an element and demands words in it.
func (r *reader) contains(selector string, words ...string) {
	r.t.Helper()
	got := r.read(selector)
	for _, w := range words {
		if !strings.Contains(got, w) {
			r.t.Errorf("%s does not say %q but %q", selector, w, got)
		}
	}
}

// hears waits until a screen reader is told words.
func (r *reader) hears(words string) {
	r.t.Helper()
	r.wait(fmt.Sprintf(`document.querySelector("#spoken").textContent.includes(%q)`, words))
}

// quiet demands that the page wrote no error and asked nobody else.
func (r *reader) quiet() {
	r.t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, e := range r.errors {
		r.t.Errorf("console: %s", e)
	}
	if n := see[int](r, `performance.getEntriesByType("resource").filter((e) => !e.name.startsWith(location.origin + "/")).length`); n > 0 {
		r.t.Errorf("%d requests went elsewhere", n)
	}
	if over := see[int](r, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		r.t.Errorf("the page is %d px wider than the screen", over)
	}
}

// plant serves assessments that go on: every 300 ms state is judged anew, as
// a scan would, until the test ends or it is paused.
type plant struct {
	*Server
	board *board
	stop  context.CancelFunc
	mu    sync.Mutex
	state func(time.Time) []*rules.Assessment // nil: paused
}

func newPlant(t testing.TB, state func(time.Time) []*rules.Assessment) *plant {
	t.Helper()
	return newPlantWith(t, state, func(*Options) {})
}

// newPlantWith is newPlant with options that the test changes.
func newPlantWith(t testing.TB, state func(time.Time) []*rules.Assessment, change func(*Options)) *plant {
	t.Helper()
	return newPlantAt(t, "127.0.0.1:0", state, change)
}

func newPlantAt(t testing.TB, address string, state func(time.Time) []*rules.Assessment, change func(*Options)) *plant {
	t.Helper()
	p := &plant{board: newBoard(state(time.Now())...), state: state}
	o := Options{Units: p.board, Events: journal(time.Now(), 40), Version: "0.0-test"}
	change(&o)
	h := newHandler(o)
	p.Server = listeningAt(t, address, h.routes())
	p.stop, _ = run(t, p.Server)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		for tick := time.NewTicker(300 * time.Millisecond); ; {
			select {
			case <-ctx.Done():
				tick.Stop()
				return
			case now := <-tick.C:
				p.mu.Lock()
				if p.state != nil {
					p.board.set(p.state(now)...)
				}
				p.mu.Unlock()
			}
		}
	}()
	t.Cleanup(func() { cancel(); <-done })
	return p
}

func (p *plant) become(state func(time.Time) []*rules.Assessment) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.state = state
}

func just(f func(time.Time) *rules.Assessment) func(time.Time) []*rules.Assessment {
	return func(t time.Time) []*rules.Assessment { return []*rules.Assessment{f(t.UTC())} }
}
