package main

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	printing "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// sheets are the papers, in inches, and the width that the report's margins of
// 14 mm leave, in the browser's pixels (96 an inch).
var sheets = []struct {
	name       string
	wide, high float64
	inner      int64
}{{"A4", 210 / 25.4, 297 / 25.4, 687}, {"Letter", 8.5, 11, 710}}

// chromium is a browser without a window that reaches nothing but this machine.
type chromium struct{ ctx context.Context }

func browsing(t testing.TB) *chromium {
	t.Helper()
	const path = "/usr/bin/chromium"
	if _, err := os.Stat(path); err != nil {
		t.Fatalf("the report's tests need Debian's package chromium: %v", err)
	}
	ctx, stop := chromedp.NewExecAllocator(context.Background(), chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()),
		chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck,
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true), chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"), chromedp.WSURLReadTimeout(time.Minute))
	ctx, closeTab := chromedp.NewContext(ctx)
	t.Cleanup(func() { closeTab(); stop() })
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	return &chromium{ctx}
}

// faulty is what of a page would be lost on paper, or is wider than it.
const faulty = `(() => {
  const wrong = [], wide = document.documentElement.clientWidth;
  for (const e of document.querySelectorAll("body *")) {
    const box = e.getBoundingClientRect();
    if (box.width > 0 && (box.right > wide + 1 || box.left < -1)) wrong.push("outside: " + e.tagName + " " + e.textContent.slice(0, 60));
    if (e instanceof HTMLElement && e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0) wrong.push("clipped: " + e.tagName + " " + e.textContent.slice(0, 60));
  }
  for (const svg of document.querySelectorAll("svg.chart")) {
    const frame = svg.getBoundingClientRect();
    const texts = [...svg.querySelectorAll("text")].map((t) => [t.getBoundingClientRect(), t.textContent]);
    texts.forEach(([a, said], i) => {
      if (a.left < frame.left - 1 || a.right > frame.right + 1 || a.top < frame.top - 1 || a.bottom > frame.bottom + 1) wrong.push("outside its chart: " + said);
      for (const [b, other] of texts.slice(0, i)) {
        if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 4) wrong.push("over another: " + said + ", " + other);
      }
    });
    for (const shape of svg.querySelectorAll("path, rect, circle")) {
      const d = shape.getAttribute("d") || "";
      if (/NaN|Inf/.test(shape.outerHTML)) wrong.push("no number: " + shape.outerHTML.slice(0, 80));
    }
  }
  return wrong.slice(0, 20);
})()`

// prints opens a page, looks at it at the width of each paper and prints it:
// nothing is asked for but the page, nothing is written to the console, nothing
// is cut off. The PDFs go to the test's artifacts.
func (c *chromium) prints(t *testing.T, name, page string) {
	t.Helper()
	var mu sync.Mutex
	var asked []string
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		asked = append(asked, r.URL.Path)
		fmt.Fprint(w, page)
	}))
	defer server.Close()
	for _, s := range sheets {
		t.Run(name+" on "+s.name, func(t *testing.T) {
			asked = nil
			tab, closeTab := chromedp.NewContext(c.ctx)
			said := consoleOf(tab)
			if err := chromedp.Do(tab, chromedp.EmulateViewport(s.inner, 900)); err != nil {
				t.Fatal(err)
			}
			if err := chromedp.Do(tab, chromedp.Navigate(server.URL+"/report.html")); err != nil {
				t.Fatal(err)
			}
			calls(t, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
			if wrong := evaluated[[]string](t, tab, faulty); len(wrong) > 0 {
				t.Errorf("on %s:\n%s", s.name, strings.Join(wrong, "\n"))
			}
			if n := evaluated[int](t, tab, `performance.getEntriesByType("resource").length + document.querySelectorAll("script").length`); n > 0 {
				t.Errorf("it loads %d things or runs a script", n)
			}
			yes := true
			pdf := calls(t, tab, printing.PrintToPDF, printing.PrintToPDFParams{PaperWidth: s.wide, PaperHeight: s.high, PrintBackground: &yes}).Data
			closeTab()
			if list := <-said; len(list) > 0 {
				t.Errorf("console: %s", list)
			}
			mu.Lock()
			if len(asked) != 1 {
				t.Errorf("it asked for %s", asked)
			}
			mu.Unlock()
			c.holdPDF(t, pdf, s.wide, s.high)
			keep(t, name+"-"+s.name+".pdf", pdf)
		})
	}
	keep(t, name+".html", []byte(page))
}

// keep leaves a file for a person to look at.
func keep(t *testing.T, name string, data []byte) {
	t.Helper()
	folder := os.Getenv("REPORT_PAGES")
	if folder == "" {
		folder = t.ArtifactDir()
	}
	if err := os.WriteFile(filepath.Join(folder, name), data, 0o600); err != nil {
		t.Fatal(err)
	}
}

var (
	pdfPage = regexp.MustCompile(`/Type\s*/Page\b[^s]`)
	pdfBox  = regexp.MustCompile(`/MediaBox\s*\[0 0 ([0-9.]+) ([0-9.]+)\]`)
)

// holdPDF looks at the number and the size of the pages.
func (c *chromium) holdPDF(t *testing.T, pdf []byte, wide, high float64) {
	t.Helper()
	pages := len(pdfPage.FindAll(pdf, -1))
	if pages < 2 || pages > 20 {
		t.Errorf("%d pages", pages)
	}
	for _, box := range pdfBox.FindAllSubmatch(pdf, -1) {
		var w, h float64
		fmt.Sscan(string(box[1]), &w)
		fmt.Sscan(string(box[2]), &h)
		if w < wide*72-2 || w > wide*72+2 || h < high*72-2 || h > high*72+2 {
			t.Errorf("a page of %s", box[0])
		}
	}
}

// consoleOf gathers what a tab writes, until it is closed.
func consoleOf(tab context.Context) <-chan []string {
	messages, all := chromedp.Console(tab), make(chan []string, 1)
	go func() {
		var list []string
		for m, err := range messages {
			if err == nil {
				list = append(list, m.String())
			}
		}
		all <- list
	}()
	return all
}

func evaluated[T any](t *testing.T, tab context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(tab, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func calls[P, R any](t *testing.T, tab context.Context, c cdp.Command[P, R], params P) R {
	t.Helper()
	r, err := chromedp.Run(tab, func(ctx context.Context, target *chromedp.Target) (R, error) { return cdp.Call(ctx, target, c, params) })
	if err != nil {
		t.Fatal(err)
	}
	return r
}
