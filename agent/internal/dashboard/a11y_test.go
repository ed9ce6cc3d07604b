package dashboard

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/cdp"
	cdpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"strokebank/rules"
)

// The checks of accessibility and the success criterion of WCAG 2.2 that each
// is for (the criteria from memory). Those up to "motion" look at the page's
// elements; testdata/accessible.js holds them. The rest look at Chromium's
// accessibility tree, at its picture, or press keys.
var criteria = map[string]string{
	"language":   "3.1.1 Language of Page",
	"title":      "2.4.2 Page Titled",
	"zoom":       "1.4.4 Resize Text",
	"headings":   "1.3.1 Info and Relationships, 2.4.6 Headings and Labels",
	"landmarks":  "1.3.1 Info and Relationships",
	"bypass":     "2.4.1 Bypass Blocks",
	"labels":     "3.3.2 Labels or Instructions, 1.3.1",
	"purposes":   "1.3.5 Identify Input Purpose",
	"ids":        "1.3.1 Info and Relationships (what a name or label refers to)",
	"references": "1.3.1 Info and Relationships",
	"tables":     "1.3.1 Info and Relationships",
	"lists":      "1.3.1 Info and Relationships",
	"roles":      "4.1.2 Name, Role, Value",
	"nesting":    "4.1.2 Name, Role, Value",
	"hidden":     "4.1.2 Name, Role, Value",
	"order":      "2.4.3 Focus Order",
	"images":     "1.1.1 Non-text Content",
	"buttons":    "2.1.1 Keyboard",
	"live":       "4.1.3 Status Messages",
	"motion":     "2.2.2 Pause, Stop, Hide",
	"targets":    "2.5.8 Target Size (Minimum)",

	"names":    "4.1.2 Name, Role, Value; 2.4.4 Link Purpose",
	"contrast": "1.4.3 Contrast (Minimum)",
	"shapes":   "1.4.11 Non-text Contrast",
	"reach":    "2.1.1 Keyboard",
	"trap":     "2.1.2 No Keyboard Trap",
	"focus":    "2.4.7 Focus Visible, 1.4.11 Non-text Contrast",
	"obscured": "2.4.11 Focus Not Obscured (Minimum)",

	"wide":     "1.4.10 Reflow",
	"clipped":  "1.4.4 Resize Text, 1.4.12 Text Spacing",
	"overlaps": "1.4.4 Resize Text, 1.4.12 Text Spacing",
}

var elementChecks = []string{"language", "title", "zoom", "headings", "landmarks", "bypass", "labels", "purposes", "ids", "references",
	"tables", "lists", "roles", "nesting", "hidden", "order", "images", "buttons", "live", "motion", "targets"}

// finding is one thing that is wrong with a page.
type finding struct{ Check, What string }

// examine makes the checks ready in the page, and the screen as high as it.
func (r *reader) examine(width int64) {
	r.t.Helper()
	script, err := os.ReadFile("testdata/accessible.js")
	if err != nil {
		r.t.Fatal(err)
	}
	if height := see[int64](r, `document.documentElement.scrollHeight`); height > 900 {
		if err := chromedp.Do(r.ctx, chromedp.EmulateViewport(width, height)); err != nil {
			r.t.Fatal(err)
		}
	}
	see[bool](r, "(window.accessible = "+strings.TrimSpace(string(script))+", true)")
}

// elements runs checks that look at the page's elements.
func (r *reader) elements(checks ...string) []finding {
	r.t.Helper()
	list, _ := json.Marshal(checks)
	return see[[]finding](r, `accessible.run(`+string(list)+`)`)
}

// named looks for controls without a name in Chromium's accessibility tree.
func (r *reader) named() (found []finding) {
	r.t.Helper()
	need := strings.Fields("button link textbox searchbox combobox listbox checkbox radio slider spinbutton switch tab menuitem DisclosureTriangle image img graphics-document dialog alertdialog region")
	nodes := 0
	for _, n := range r.tree() {
		if n.Ignored {
			continue
		}
		nodes++
		if role := axText(n.Role); slices.Contains(need, role) && strings.TrimSpace(axText(n.Name)) == "" {
			found = append(found, finding{"names", fmt.Sprintf("a %s without a name, node %d", role, n.BackendDOMNodeID)})
		}
	}
	if nodes < 5 {
		r.t.Errorf("the accessibility tree has %d nodes", nodes)
	}
	return found
}

// tree is what a screen reader gets of the page.
func (r *reader) tree() []*accessibility.Node {
	r.t.Helper()
	tree, err := chromedp.Run(r.ctx, func(ctx context.Context, tab *chromedp.Target) (accessibility.GetFullAXTreeResult, error) {
		return cdp.Call(ctx, tab, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{})
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return tree.Nodes
}

func axText(v *accessibility.Value) string {
	var text string
	if v != nil {
		_ = json.Unmarshal(v.Value, &text) // a value that is no text is no name
	}
	return text
}

// walked presses Tab until the focus has been everywhere it goes.
func (r *reader) walked() (found []finding) {
	r.t.Helper()
	controls := see[[]string](r, `accessible.reachable()`)
	been, stays, again := map[int]bool{}, 0, -1
	last := -2
	for presses := 0; presses < 3*len(controls)+30; presses++ {
		if err := chromedp.Do(r.ctx, chromedp.KeyEvent(kb.Tab)); err != nil {
			r.t.Fatal(err)
		}
		f := see[struct {
			Reach  int
			What   string
			Clear  bool
			Style  string
			Width  float64
			Colour []float64
			Behind []float64
		}](r, `accessible.focused()`)
		if f.Reach == last && f.What != "" && len(controls) > 1 {
			stays++
		} else {
			stays = 0
		}
		if last = f.Reach; stays >= 12 { // a field for a date has stops of its own
			return append(found, finding{"trap", "the focus stays on " + f.What})
		}
		if f.What == "" || been[f.Reach] {
			if again++; f.What == "" && len(been) == len(controls) || again > len(controls)+5 {
				break
			}
			continue
		}
		if f.Reach < 0 {
			continue // what scrolls, and the browser gives the focus by itself
		}
		been[f.Reach], again = true, 0
		if !f.Clear {
			found = append(found, finding{"obscured", f.What})
		}
		switch {
		case f.Style == "none" || f.Width < 1:
			found = append(found, finding{"focus", "cannot be seen on " + f.What})
		case f.Style != "auto":
			if c := contrast(sixDigits([3]float64(f.Colour[:3])), sixDigits([3]float64(f.Behind[:3]))); c < 3 {
				found = append(found, finding{"focus", fmt.Sprintf("%.2f around %s", c, f.What)})
			}
		}
	}
	for i, what := range controls {
		if !been[i] {
			found = append(found, finding{"reach", "Tab never comes to " + what})
		}
	}
	return found
}

// wearing runs checks while the page has another form, or another width.
func (r *reader) wearing(sheets string, width, height, font int64, checks ...string) []finding {
	r.t.Helper()
	if err := chromedp.Do(r.ctx, chromedp.EmulateViewport(width, height)); err != nil {
		r.t.Fatal(err)
	}
	r.fonts(font)
	defer r.fonts(16)
	see[bool](r, `accessible.wear(`+sheets+`)`)
	r.wait(fmt.Sprintf(`innerWidth === %d`, width))
	// Drawings follow the width with their own observer, one frame later.
	see[bool](r, `(window.drawn = false, requestAnimationFrame(() => requestAnimationFrame(() => { window.drawn = true; })), true)`)
	r.wait(`window.drawn`)
	defer see[bool](r, `accessible.wear([])`)
	return r.elements(checks...)
}

// fonts sets the size of text that the reader has chosen in the browser, px.
func (r *reader) fonts(size int64) {
	r.t.Helper()
	_, err := chromedp.Run(r.ctx, func(ctx context.Context, tab *chromedp.Target) (cdp.Empty, error) {
		return cdp.Call(ctx, tab, cdpage.SetFontSizes, cdpage.SetFontSizesParams{FontSizes: &cdpage.FontSizes{Standard: size}})
	})
	if err != nil {
		r.t.Fatal(err)
	}
}

// forms are the page at the widths and sizes that the criteria name.
func (r *reader) forms() (found []finding) {
	r.t.Helper()
	for _, form := range []struct {
		name, sheets        string
		width, height, font int64
	}{
		{"at 320 px", `[]`, 320, 640, 16},
		{"zoomed to 400 % of 1280 by 1024", `[]`, 320, 256, 16},
		{"zoomed to 200 % of 1280", `[]`, 640, 512, 16},
		{"with text of 200 %", `[]`, 1280, 900, 32},
		{"with text spaced", `["spaced"]`, 1280, 900, 16},
		{"with text spaced on a phone", `["spaced"]`, 390, 844, 16},
	} {
		for _, f := range r.wearing(form.sheets, form.width, form.height, form.font, "wide", "clipped", "overlaps") {
			found = append(found, finding{f.Check, form.name + ": " + f.What})
		}
	}
	return found
}

// tell reports findings, each kind a few times.
func tell(t *testing.T, found []finding) {
	t.Helper()
	count := map[string]int{}
	for _, f := range found {
		if count[f.Check]++; count[f.Check] <= 6 {
			t.Errorf("%s (%s): %s", f.Check, criteria[f.Check], f.What)
		}
	}
	for check, n := range count {
		if n > 6 {
			t.Errorf("%s: %d in all", check, n)
		}
	}
}

// Every view at three widths, by day and by night.
func TestAccessible(t *testing.T) {
	ctx := browser(t)
	views := slices.Clone(pictured)
	p, _ := before{t, ctx, 1280}.opens(short)
	units := newPlantWith(t, fleet, withPast)
	views = append(views, struct{ name, query, ready string }{"units", "", `document.querySelectorAll(".units tbody tr").length === 5`})
	for _, v := range views {
		from := p
		if v.name == "units" {
			from = units
		}
		for _, width := range []int64{1920, 1280, 390} {
			t.Run(fmt.Sprintf("%s at %d", v.name, width), func(t *testing.T) {
				r := from.at(t, ctx, v.query, width, 900)
				r.wait(v.ready)
				r.examine(width)
				tell(t, r.walked())
				tell(t, r.elements(elementChecks...))
				tell(t, r.named())
				tell(t, r.contrasts())
				r.night()
				tell(t, r.contrasts())
				if width == 1280 {
					tell(t, r.walked()) // where the focus can be seen by night
					tell(t, r.forms())
				}
			})
		}
	}
}

// What the overview shows besides: other states, the dialogs, a lost stream.
func TestAccessibleStates(t *testing.T) {
	ctx := browser(t)
	for _, c := range []struct {
		name string
		of   func(time.Time) *rules.Assessment
		then func(*reader, *plant)
	}{
		{"normal", stored, func(*reader, *plant) {}},
		{"mains lost", dark, func(*reader, *plant) {}},
		{"transmitter lost", blind, func(*reader, *plant) {}},
		{"uncertain", doubtful, func(*reader, *plant) {}},
		{"all opened", short, func(r *reader, _ *plant) {
			see[bool](r, `(document.querySelectorAll("details").forEach((d) => { d.open = true; }), true)`)
		}},
		{"shelving", short, func(r *reader, _ *plant) {
			r.wait(`document.querySelector('button[data-order="shelve"]') !== null`)
			r.press(`button[data-order="shelve"]`)
			r.wait(`document.querySelector("#ask").open`)
		}},
		{"stream lost", short, func(r *reader, p *plant) {
			p.stop()
			r.wait(`document.body.classList.contains("lost")`)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, p, _ := before{t, ctx, 1280}.sits(c.of, "")
			r.alive()
			c.then(r, p)
			r.examine(1280)
			tell(t, r.walked())
			tell(t, r.elements(elementChecks...))
			tell(t, r.named())
			tell(t, r.contrasts())
			r.night()
			tell(t, r.contrasts())
		})
	}
}

// A new alarm is put into a region that a screen reader speaks at once,
// whatever view is open; and so is the loss of the stream.
func TestAlarmsAreSpoken(t *testing.T) {
	ctx := browser(t)
	for _, v := range pictured {
		t.Run(v.name, func(t *testing.T) {
			r, p, _ := before{t, ctx, 1280}.sits(stored, v.query)
			r.wait(v.ready)
			if said := r.spoken(); strings.Contains(said, "alarm:") {
				t.Errorf("before the alarm it says %q", said)
			}
			p.become(just(short))
			r.wait(`document.querySelector("#spoken").textContent.includes("Low reserve")`)
			said := r.spoken()
			for _, word := range []string{"high alarm: Low reserve.", "Do not start any valve movement", "medium alarm: Low pressure."} {
				if !strings.Contains(said, word) {
					t.Errorf("a screen reader hears %q, not %q", said, word)
				}
			}
			p.stop()
			r.wait(`document.body.classList.contains("lost")`)
			if said := r.spoken(); !strings.Contains(said, "No data since") {
				t.Errorf("of the lost stream a screen reader hears %q", said)
			}
		})
	}
}

// spoken is all that stands in regions which the accessibility tree marks as
// spoken at once.
func (r *reader) spoken() (said string) {
	r.t.Helper()
	under := map[accessibility.NodeID]bool{}
	for _, n := range r.tree() { // parents come before their children
		for _, p := range n.Properties {
			if p.Name == "live" && axText(p.Value) == "assertive" {
				under[n.NodeID] = true
			}
		}
		if under[n.ParentID] {
			under[n.NodeID] = true
		}
		if under[n.NodeID] && axText(n.Role) == "StaticText" {
			said += axText(n.Name) + " "
		}
	}
	return said
}
