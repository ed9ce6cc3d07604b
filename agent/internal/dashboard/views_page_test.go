package dashboard

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"strokebank/rules"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// would is a supposer with figures of its own: one more valve costs a cycle.
type would struct{}

func (would) Suppose(unit string, given url.Values) ([]byte, []string) {
	if strings.Contains(given.Get("pressure"), "high") {
		return nil, []string{`pressure: "high bar" is not a number with a unit; write 8.3 bar or 120 psi`}
	}
	full, f := figures(), figures()
	full.AtLeast, full.Expected = 5, 5.9
	changes := []string{}
	if add := given.Get("add"); add != "" {
		f.AtLeast, f.Expected, f.FullCharge = 2, 4.2, 4.6
		changes = append(changes, "one more valve, "+strings.Fields(add)[0]+", closing 6.14 L in 12.0 s, opening 4.91 L in 12.0 s")
	}
	if less := given.Get("without"); less != "" {
		changes = append(changes, "without "+less)
	}
	body, err := json.Marshal(map[string]any{
		"schema": 1, "site": "Quillen Reach", "unit": unit, "changes": changes, "figures": f, "figures_of_file_at_full_charge": full,
		"supposed_state": map[string]any{"gauge_pressure_pascals": 8.21e5, "level_meters": 1.462, "oil_cubic_meters": 2.3627, "gas_cubic_meters": 2.497,
			"atmospheric_pressure_pascals": 101325, "gas_temperature_celsius": 20, "wall_temperature_celsius": 20, "leak_cubic_meters_per_second": nil},
		"doubts":  []reserve.Price{{Doubt: "pressure band", Cycles: 0.11}, {Doubt: "heat exchange", Cycles: 1.34}, {Doubt: "gas temperature", Cycles: signal.Unknown()}},
		"unknown": map[string]string{}, "caution": "At least is a computed lower bound within what is stated above. It is not a\nprotective function and not a warranty.",
	})
	if err != nil {
		return nil, []string{err.Error()}
	}
	return body, nil
}

func withPast(o *Options) { o.Past, o.Suppose = newYears(time.Now()), would{} }

// fleet is five units of which three need somebody.
func fleet(now time.Time) []*rules.Assessment {
	now = now.UTC()
	named := func(a *rules.Assessment, site, unit string) *rules.Assessment { a.Site, a.Unit = site, unit; return a }
	return []*rules.Assessment{
		named(stored(now), "Quillen Reach", "AU-7"), named(dark(now), "Quillen Reach", "AU-8"), named(short(now), "Quillen Reach", "AU-9"),
		named(doubtful(now), "Dunmorrow Flats", "ACC-1"), named(blind(now), "Dunmorrow Flats", "ACC-2"),
	}
}

func TestViews(t *testing.T) {
	ctx := browser(t)
	for _, task := range []struct {
		name string
		do   func(*testing.T, context.Context)
	}{
		{"trends by pointer", trendsByPointer},
		{"trends by keyboard", trendsByKeyboard},
		{"a spike a year later", spikeOfAYear},
		{"history cannot be read", trendsUnreadable},
		{"what is unknown now", trendsOfTheBlind},
		{"supposed nonsense", supposedNonsense},
		{"start page", startPage},
		{"way and back", wayAndBack},
	} {
		t.Run(task.name, func(t *testing.T) { task.do(t, ctx) })
	}
}

const coursesThere = `document.querySelectorAll(".course .mean").length >= 6`

// point moves the pointer to a share of the width of the courses; with down
// it drags from there to another share.
func (r *reader) point(share float64, to ...float64) {
	r.t.Helper()
	spot := func(share float64) (float64, float64) {
		box := see[[]float64](r, `(() => { const b = document.querySelector(".courses").getBoundingClientRect(); return [b.left, b.top, b.width]; })()`)
		return box[0] + 58 + share*(box[2]-72), box[1] + 60
	}
	send := func(kind input.DispatchMouseEventType, x, y float64, held int64) {
		r.t.Helper()
		_, err := chromedp.Run(r.ctx, func(ctx context.Context, tab *chromedp.Target) (struct{}, error) {
			p := input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Buttons: held}
			if kind != input.DispatchMouseEventTypeMouseMoved {
				p.Button, p.ClickCount = input.MouseButtonLeft, 1
			}
			return cdp.Call(ctx, tab, input.DispatchMouseEvent, p)
		})
		if err != nil {
			r.t.Fatal(err)
		}
	}
	x, y := spot(share)
	send(input.DispatchMouseEventTypeMouseMoved, x, y, 0)
	if len(to) == 0 {
		return
	}
	x2, _ := spot(to[0])
	send(input.DispatchMouseEventTypeMousePressed, x, y, 1)
	send(input.DispatchMouseEventTypeMouseMoved, (x+x2)/2, y, 1)
	send(input.DispatchMouseEventTypeMouseMoved, x2, y, 1)
	send(input.DispatchMouseEventTypeMouseReleased, x2, y, 0)
}

func trendsByPointer(t *testing.T, ctx context.Context) {
	r := newPlantWith(t, just(stored), withPast).at(t, ctx, "?view=trends&unit=AU-7&span=8h", 1280, 900)
	r.wait(coursesThere)
	r.contains(".moment", "newest", "in steps of")
	// The gap lies from 5 h 20 min to 3 h before now: a third to five eighths.
	if n := see[int](r, `document.querySelectorAll('[data-key="pressure"] .hole').length`); n != 1 {
		t.Errorf("%d gaps are shown as gaps", n)
	}
	share := see[[]float64](r, `(() => { const b = document.querySelector('[data-key="pressure"] .hole rect').getBBox(), w = document.querySelector(".courses").clientWidth - 72;
		return [(b.x - 58) / w, (b.x + b.width - 58) / w]; })()`)
	if share[0] < 0.32 || share[0] > 0.35 || share[1] < 0.61 || share[1] > 0.64 {
		t.Errorf("the gap is drawn from %.3f to %.3f of the width", share[0], share[1])
	}
	if n := see[int](r, `document.querySelectorAll('[data-key="pressure"] .mean').length`); n < 2 {
		t.Errorf("the line goes through the gap: %d parts", n)
	}
	if s := see[string](r, `document.querySelector('[data-key="pressure"] .hole').textContent`); s != "no data" {
		t.Errorf("the gap says %q", s)
	}
	r.point(0.2)
	r.contains(`[data-key="pressure"] .reads`, "Pressure", "bar", "least", "most")
	r.contains(`[data-key="inventory"] .reads`, "Oil in tank, sump and cylinders", "L", "least")
	r.contains(".moment", "At ")
	r.point(0.5)
	r.contains(`[data-key="pressure"] .reads`, "no data")
	r.point(0.25, 0.45)
	r.wait(`new URLSearchParams(location.search).get("to") !== null`)
	r.wait(`document.querySelectorAll('[data-key="pressure"] .hole').length === 1 && /\b1\smin/.test(document.querySelector(".moment").textContent)`)
	length := see[float64](r, `(() => { const q = new URLSearchParams(location.search); return (Date.parse(q.get("to")) - Date.parse(q.get("from"))) / 3600e3; })()`)
	if length < 1.55 || length > 1.65 {
		t.Errorf("a fifth of eight hours became %.2f h", length)
	}
	see[bool](r, `(history.back(), true)`)
	r.wait(`new URLSearchParams(location.search).get("span") === "8h" && document.querySelectorAll('[data-key="pressure"] .mean').length >= 2`)
	r.press("#us")
	r.wait(`document.querySelector('[data-key="pressure"] .reads').textContent.includes("psig")`)
	r.quiet()
}

func trendsByKeyboard(t *testing.T, ctx context.Context) {
	r := newPlantWith(t, just(stored), withPast).at(t, ctx, "?view=trends&unit=AU-7&span=1d", 1280, 900)
	r.wait(coursesThere)
	key := func(k string) {
		t.Helper()
		if err := chromedp.Do(r.ctx, chromedp.KeyEvent(k)); err != nil {
			t.Fatal(err)
		}
	}
	for range 40 {
		key(kb.Tab)
		if see[bool](r, `document.activeElement.classList.contains("courses")`) {
			break
		}
	}
	if !see[bool](r, `document.activeElement.classList.contains("courses")`) {
		t.Fatal("Tab does not lead to the courses")
	}
	said := func() string { return see[string](r, `document.activeElement.getAttribute("aria-valuetext")`) }
	if s := said(); !strings.Contains(s, "Shutdown cycles at least") || !strings.Contains(s, "Oil level") {
		t.Errorf("said %q", s)
	}
	key(kb.Home)
	first := said()
	key(kb.ArrowRight)
	key(kb.ArrowRight)
	if second := said(); second == first || !strings.Contains(second, "At ") {
		t.Errorf("arrow keys say %q, then %q", first, second)
	}
	key("+")
	r.wait(`new URLSearchParams(location.search).get("to") !== null && document.querySelector(".moment").textContent.includes("steps of 1")`)
	key(kb.PageUp)
	r.wait(`(() => { const q = new URLSearchParams(location.search); return Date.now() - Date.parse(q.get("to")) > 12 * 3600e3; })()`)
	if !see[bool](r, `document.activeElement.classList.contains("courses")`) {
		t.Error("zooming lost the focus")
	}
	see[bool](r, `(document.querySelector(".worded summary").click(), true)`)
	r.wait(`document.querySelectorAll(".worded tbody tr").length === 24`)
	r.contains(".worded", "Pressure: least", "most", "Shutdown cycles, at least", "No gap")
	r.quiet()
}

func spikeOfAYear(t *testing.T, ctx context.Context) {
	r := newPlantWith(t, just(stored), withPast).at(t, ctx, "?view=trends&unit=AU-7", 390, 844)
	r.wait(coursesThere)
	r.press(`.spans a[href*="span=1y"]`)
	r.wait(`/\b2\sd/.test(document.querySelector(".moment").textContent)`)
	// 11.9 bar for one minute, 80 days ago, still stands out of all.
	if out := see[float64](r, `(() => { const d = document.querySelector('[data-key="pressure"] .band').getAttribute("d");
		const ys = [...d.matchAll(/V([\d.]+)/g)].map((m) => Number(m[1])).sort((a, b) => a - b); return ys[1] - ys[0]; })()`); out < 20 {
		t.Errorf("the spike stands out by %v px", out)
	}
	see[bool](r, `(document.querySelector(".worded").open = true)`)
	r.wait(`document.querySelectorAll(".worded tbody tr").length === 24`)
	r.contains(".worded", "most 11.90 bar")
	r.contains(".worded", "High pressure, medium")
	if n := see[int](r, `document.querySelectorAll('[data-key="strip"] .medium').length`); n != 1 {
		t.Errorf("%d marks of the alarm", n)
	}
	r.quiet()
}

// A figure that is unknown now must not stand there with its last value as if
// it were the present one.
func trendsOfTheBlind(t *testing.T, ctx context.Context) {
	r := newPlantWith(t, just(blind), withPast).at(t, ctx, "?view=trends&unit=AU-7&span=8h", 1280, 900)
	r.wait(coursesThere)
	r.contains(`[data-key="level"] .reads`, "Oil level unknown now last 1.", " m at ")
	r.contains(`[data-key="cycles"] .reads`, "at least unknown now last", "expected unknown now last")
	if s := r.read(`[data-key="pressure"] .reads`); strings.Contains(s, "unknown") {
		t.Errorf("the pressure, which is known, reads %q", s)
	}
	r.quiet()
}

func trendsUnreadable(t *testing.T, ctx context.Context) {
	broken := newYears(time.Now())
	broken.err = fmt.Errorf("disk")
	p := newPlantWith(t, just(stored), func(o *Options) { o.Past, o.Suppose = broken, would{} })
	r := p.at(t, ctx, "?view=trends&unit=AU-7", 1280, 900)
	r.wait(`document.querySelector(".moment") && document.querySelector(".moment").textContent.includes("the history cannot be read now")`)
}

func supposedNonsense(t *testing.T, ctx context.Context) {
	r := newPlantWith(t, just(stored), withPast).at(t, ctx, "?view=suppose&unit=AU-7&pressure=high+bar", 1280, 900)
	r.wait(`document.querySelector(".faults") !== null`)
	r.contains(".faults", "is not a number with a unit")
	if see[string](r, `document.querySelector("#s-pressure").getAttribute("aria-invalid") + document.querySelector("#s-level").getAttribute("aria-invalid")`) != "truefalse" {
		t.Error("the wrong field is not marked")
	}
	if see[int](r, `document.querySelectorAll(".would, .compared").length`) != 0 {
		t.Error("an old answer stands beside nonsense")
	}
}

func startPage(t *testing.T, ctx context.Context) {
	p := newPlantWith(t, fleet, withPast)
	for _, width := range []int64{1920, 1280, 390} {
		r := p.at(t, ctx, "", width, 900)
		r.wait(`document.querySelectorAll(".units tbody tr").length === 5`)
		order := see[string](r, `[...document.querySelectorAll(".units tbody tr a")].map((a) => a.textContent).join()`)
		if order != "AU-9,ACC-2,AU-8,ACC-1,AU-7" {
			t.Errorf("order %s", order)
		}
		r.contains(".units tbody", "2 of 3 required cycles", "reserve unknown", "pumps: only one can start", "mains lost", "reserve uncertain")
		if width > 640 { // a phone leaves out what is as it should be
			r.contains(".units tbody", "nothing", "both of each")
		}
		r.contains("#mains", "Mains lost: AU-8")
		r.hears("high alarm")
		r.picture(fmt.Sprintf("units-%d", width))
		r.quiet()
	}
	// What changes its state changes its place.
	r := p.at(t, ctx, "", 1280, 900)
	r.wait(`document.querySelectorAll(".units tbody tr").length === 5`)
	p.become(func(now time.Time) []*rules.Assessment {
		all := fleet(now)
		all[0].Time = now.UTC().Add(-time.Hour)
		return all
	})
	r.wait(`document.querySelector(".units tbody tr a").textContent === "AU-7"`)
	r.contains(".units tbody tr", "no fresh scan", "1 h ago")
	p.become(fleet)
	r.press(`.units a[href="?unit=ACC-2"]`)
	r.wait(`document.querySelector("#where").textContent === "Dunmorrow Flats, unit ACC-2" && !document.querySelector("#main").hidden`)
	r.contains("#at-least", "unknown")
	r.press(`#ways a[href="?view=units"]`)
	r.wait(`document.querySelectorAll(".units tbody tr").length === 5 && document.querySelector("#main").hidden`)
	r.quiet()
	p.stop()
	r.wait(`document.body.classList.contains("lost")`)
	if s := see[string](r, `getComputedStyle(document.querySelector(".units td")).textDecorationLine`); s != "line-through" {
		t.Errorf("a row that is old is not struck out: %s", s)
	}
}

func wayAndBack(t *testing.T, ctx context.Context) {
	r := newPlantWith(t, just(stored), withPast).at(t, ctx, "", 1280, 900)
	r.alive()
	if n := see[int](r, `performance.getEntriesByType("resource").filter((e) => /trends|chart|suppose|units\.js/.test(e.name)).length`); n != 0 {
		t.Errorf("%d scripts of other views were loaded before they were looked at", n)
	}
	see[bool](r, `(window.same = true)`)
	r.press(`#ways a[href^="?view=trends"]`)
	r.wait(coursesThere)
	if at := see[string](r, `document.activeElement.id`); at != "other" {
		t.Errorf("the focus is at %q", at)
	}
	r.press(`#ways a[href^="?view=suppose"]`)
	r.wait(`document.querySelector(".would") !== null`)
	r.press(`#ways a[href="?unit=AU-7"]`)
	r.alive()
	r.wait(`document.querySelector("#other").hidden && !document.querySelector("#main").hidden`)
	see[bool](r, `(history.back(), true)`)
	r.wait(`document.querySelector(".would") !== null && document.querySelector("#main").hidden`)
	if !see[bool](r, `window.same === true`) {
		t.Error("the page was loaded anew")
	}
	r.quiet()
}
