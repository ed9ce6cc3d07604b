package dashboard

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// soundPage is a page with which nothing is wrong.
const soundPage = `<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>A page</title>
<style>body { margin: 0; font: 1rem/1.5 sans-serif; color: #111; background: #fff; } :focus-visible { outline: 2px solid #000; outline-offset: 2px; } button, input, select { font: inherit; min-height: 2rem; border: 1px solid #333; background: #fff; color: #111; }
.skip { position: absolute; left: -99em; } .skip:focus { left: 0; } .unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); } .mark { width: 1rem; height: 1rem; }</style></head>
<body><a class="skip" href="#main">To the figures</a><header><h1>A unit</h1><p>All is well here.</p></header>
<p id="banner" role="alert" class="unseen"></p>
<nav aria-label="Views"><ul><li><a href="?a" style="display:inline-block;min-height:1.6rem">Here</a></li></ul></nav>
<main id="main" tabindex="-1"><section aria-labelledby="t"><h2 id="t">Figures</h2><p>Some words with <a href="?b">a link</a> in them.</p>
<p><label for="n">Your name</label> <input id="n" name="username" autocomplete="username" value="A"></p>
<p><label for="s">For</label> <select id="s"><option>1 hour</option></select></p>
<p><button type="button">Do it</button></p>
<p><svg class="mark" role="img" aria-label="high" viewBox="0 0 10 10"><path class="full" fill="#900" d="M0 0h10v10H0z"/></svg> high</p>
<table><thead><tr><th scope="col">Pump</th><th scope="col">State</th></tr></thead><tbody><tr><th scope="row">P-1</th><td>runs</td></tr></tbody></table>
<details><summary>More</summary><p>Words.</p></details></section></main>
<footer><p>The end.</p></footer></body></html>`

// Each check finds what it is for, and only that: a check that cannot fail is
// none. old becomes new in the sound page.
var brokenPages = []struct{ check, name, old, new string }{
	{"language", "no language", ` lang="en"`, ``},
	{"title", "no title", `<title>A page</title>`, ``},
	{"zoom", "no zoom", `initial-scale=1"`, `initial-scale=1, user-scalable=no"`},
	{"headings", "two first headings", `<h2 id="t">Figures</h2>`, `<h1 id="t">Figures</h1>`},
	{"headings", "no first heading", `<h1>A unit</h1>`, `<p>A unit</p>`},
	{"headings", "a level left out", `<h2 id="t">Figures</h2>`, `<h4 id="t">Figures</h4>`},
	{"landmarks", "no main part", `<main id="main" tabindex="-1">`, `<div id="main" role="region" aria-label="x">`},
	{"landmarks", "words outside", `<footer><p>The end.</p></footer>`, `<p>The end.</p>`},
	{"landmarks", "two ways without names", `<nav aria-label="Views">`, `<nav><a href="?x">There, where all is</a></nav><nav>`},
	{"bypass", "no way past the head", `<a class="skip" href="#main">To the figures</a>`, ``},
	{"labels", "a label that is none", `<label for="n">Your name</label>`, `Your name`},
	{"labels", "only a placeholder", `<label for="s">For</label> <select id="s"><option>1 hour</option></select>`, `<input placeholder="For">`},
	{"purposes", "no purpose of a name", ` autocomplete="username"`, ``},
	{"ids", "an id twice", `<footer>`, `<footer id="t">`},
	{"references", "a name that is not there", `aria-labelledby="t"`, `aria-labelledby="gone" aria-label="x"`},
	{"references", "a link to nothing", `href="?a"`, `href="#gone"`},
	{"tables", "no headers", `<th scope="col">Pump</th><th scope="col">State</th></tr></thead><tbody><tr><th scope="row">P-1</th>`, `<td>Pump</td><td>State</td></tr></thead><tbody><tr><td>P-1</td>`},
	{"tables", "a header of nothing", `<th scope="col">State</th>`, `<th>State</th>`},
	{"tables", "a cell under no header", `<td>runs</td></tr>`, `<td>runs</td></tr><tr><td>a</td><td>b</td><td>c</td></tr>`},
	{"tables", "drawn as no table", `<table>`, `<table style="display:block">`},
	{"lists", "an item without a list", `<p>Some words`, `<div><li>An item</li></div><p>Some words`},
	{"lists", "a list of no items", `<footer>`, `<footer><ul><p>x</p></ul>`},
	{"roles", "a role that is none", `<section aria-labelledby="t">`, `<section aria-labelledby="t" role="card">`},
	{"roles", "pressed, but how", `<button type="button">`, `<button type="button" aria-pressed="yes">`},
	{"nesting", "a button in a link", `<a href="?b">a link</a>`, `<a href="?b">a link<button type="button">x</button></a>`},
	{"hidden", "hidden and in the way", `<p><button`, `<p aria-hidden="true"><button`},
	{"order", "an order of its own", `<input id="n"`, `<input tabindex="3" id="n"`},
	{"images", "a picture without words", `<p>Some`, `<p><img src="data:,">Some`},
	{"images", "a drawing without words", ` role="img" aria-label="high"`, ``},
	{"buttons", "to be clicked only", `<p>All is well here.</p>`, `<p onclick="x()">All is well here.</p>`},
	{"live", "nobody speaks", ` role="alert"`, ``},
	{"live", "who speaks is not there", `role="alert" class="unseen"`, `role="alert" hidden style="display:none"`},
	{"motion", "something moves", `</style>`, `@keyframes k { to { opacity: .9; } } h2 { animation: k 1s infinite; }</style>`},
	{"targets", "small and close", `<p><button type="button">Do it</button></p>`, `<p style="line-height:1"><button type="button" style="min-height:0;height:14px;width:14px;padding:0">a</button><button type="button" style="min-height:0;height:14px;width:14px;padding:0">b</button></p>`},

	{"names", "a button without a name", `<button type="button">Do it</button>`, `<button type="button"><span aria-hidden="true">x</span></button>`},
	{"names", "a link without a name", `<a href="?b">a link</a>`, `<a href="?b" style="display:inline-block;width:30px;height:30px"></a>`},
	{"names", "a drawing without a name", `aria-label="high"`, `aria-label=""`},
	{"contrast", "grey on white", `<p>All is well here.</p>`, `<p style="color:#888">All is well here.</p>`},
	{"contrast", "faint", `<p>All is well here.</p>`, `<p style="opacity:.5">All is well here.</p>`},
	{"contrast", "on a background of another part", `<p>All is well here.</p>`, `<div style="position:relative;background:#555"><p style="position:relative;color:#222">All is well here.</p></div>`},
	{"contrast", "over a picture", `<p>All is well here.</p>`, `<p style="background:linear-gradient(90deg,#fff 50%,#333 50%)">All is well here and so it is for all the length of these words, on and on, until the edge of the page</p>`},
	{"contrast", "in a drawing", `<p>All is well here.</p>`, `<svg role="img" aria-label="x" width="100" height="30"><rect width="100" height="30" fill="#777"/><text y="20" fill="#999">words</text></svg>`},
	{"contrast", "in a field", `value="A"`, `value="A" style="color:#aaa"`},
	{"shapes", "a field without an edge", `id="n" name`, `id="n" style="border-color:#ddd" name`},
	{"shapes", "a mark that is hardly there", `fill="#900"`, `fill="#fdd"`},
	{"reach", "left out of the order", `</details>`, `</details><script>addEventListener("focusin", (e) => { if (e.target.tagName === "SUMMARY") e.target.blur(); if (e.target.id === "s") document.querySelector("h1").focus(); });</script>`},
	{"trap", "no way on", `</details>`, `</details><script>document.querySelector("#n").addEventListener("keydown", (e) => { if (e.key === "Tab") e.preventDefault(); });</script>`},
	{"focus", "not to be seen", `outline: 2px solid #000`, `outline: none`},
	{"focus", "hardly to be seen", `outline: 2px solid #000`, `outline: 2px solid #ddd`},
	{"obscured", "under something", `<footer>`, `<footer><div style="position:fixed;inset:0;background:#fff;z-index:9"></div>`},
	{"wide", "wider than a phone", `<p>All is well here.</p>`, `<p style="width:500px">All is well here.</p>`},
	{"wide", "beyond the edge", `<p>All is well here.</p>`, `<p style="position:fixed;top:0;left:290px;white-space:nowrap">All is well here.</p>`},
	{"clipped", "cut off when large", `<p>All is well here.</p>`, `<p style="height:30px;overflow:hidden">All is well here.</p>`},
	{"overlaps", "over each other when large", `<p>All is well here.</p>`, `<div style="height:16px"><p style="margin:0">All is well here.</p></div><p style="margin:0">And there.</p>`},
}

func TestChecksCanFail(t *testing.T) {
	pages := []string{soundPage}
	for _, c := range brokenPages {
		if !strings.Contains(soundPage, c.old) {
			t.Fatalf("%s: the sound page has no %q", c.name, c.old)
		}
		pages = append(pages, strings.ReplaceAll(soundPage, c.old, c.new))
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		n, err := strconv.Atoi(r.URL.RawQuery)
		if err != nil || n >= len(pages) {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		fmt.Fprint(w, pages[n])
	}))
	t.Cleanup(server.Close)
	s, ctx := &Server{listener: server.Listener}, browser(t)
	whole := func(r *reader) []finding {
		r.examine(1280)
		found := append(r.walked(), r.elements(elementChecks...)...)
		return append(append(append(found, r.named()...), r.contrasts()...), r.forms()...)
	}
	t.Run("sound", func(t *testing.T) { tell(t, whole(s.at(t, ctx, "?0", 1280, 900))) })
	shown := map[string]bool{}
	r := s.at(t, ctx, "?0", 1280, 900)
	for i, c := range brokenPages {
		shown[c.check] = true
		t.Run(c.check+"/"+c.name, func(t *testing.T) {
			r.t = t
			if err := chromedp.Do(r.ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(server.URL+"/?"+strconv.Itoa(i+1))); err != nil {
				t.Fatal(err)
			}
			r.examine(1280)
			var found []finding
			switch c.check {
			case "reach", "trap", "focus", "obscured":
				found = r.walked()
			case "names":
				found = r.named()
			case "contrast", "shapes":
				found = r.contrasts()
			case "wide", "clipped", "overlaps":
				found = r.forms()
			default:
				found = r.elements(elementChecks...)
			}
			if !slices.ContainsFunc(found, func(f finding) bool { return f.Check == c.check }) {
				t.Errorf("not found; found instead: %v", found)
			}
			t.Logf("%v", found)
		})
	}
	for check := range criteria {
		if !shown[check] {
			t.Errorf("no broken page shows that %s can fail", check)
		}
	}
}
