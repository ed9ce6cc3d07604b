package dashboard

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"strokebank/rules"
)

// before is an operator who is about to do a task at a screen of one width.
type before struct {
	*testing.T
	ctx   context.Context
	width int64
}

// sits opens a page of a plant.
func (b before) sits(state func(time.Time) *rules.Assessment, query string) (*reader, *plant, *clerk) {
	b.Helper()
	p, c := b.opens(state)
	return p.at(b, b.ctx, query, b.width, 900), p, c
}

// opens is a plant in some state, with all that the agent offers.
func (b before) opens(state func(time.Time) *rules.Assessment) (*plant, *clerk) {
	b.Helper()
	c, now := &clerk{}, time.Now()
	return newPlantWith(b, just(state), func(o *Options) {
		withPast(o)
		o.Works, o.Events = newShop(now), withTests(withFaults(journal(now, 40).since(now, shopDays), now), now)
		o.Gate, o.Commands = lock{}, c
	}), c
}

// The ten tasks of an operator, each at three widths, in a real browser: with
// no error on the console and no request that leaves the machine.
func TestOperatorTasks(t *testing.T) {
	ctx := browser(t)
	for _, task := range []struct {
		name string
		do   func(before)
	}{
		{"read the reserve and its limit", readTheReserve},
		{"see why a value is unknown", seeWhyUnknown},
		{"find the alarm of highest priority and its action", findTheMostUrgent},
		{"acknowledge it with the keyboard alone", acknowledgeByKeyboard},
		{"shelve one with reason and end", shelveOne},
		{"find when a pump will fall under its limit", findWhenAPumpFails},
		{"compare the pair's duty of the last 30 days", compareDuty},
		{"find when the standby was last proven", findTheStandbysProof},
		{"try one valve more in Suppose", tryOneValveMore},
		{"notice that the agent was killed", noticeThatItWasKilled},
	} {
		t.Run(task.name, func(t *testing.T) {
			for _, width := range []int64{1920, 1280, 390} {
				t.Run(fmt.Sprintf("%d px", width), func(t *testing.T) { task.do(before{t, ctx, width}) })
			}
		})
	}
}

func readTheReserve(b before) {
	r, _, _ := b.sits(stored, "")
	r.alive()
	r.contains("#where", "Quillen Reach", "AU-7")
	r.contains("#at-least", "at least 4 cycles")
	r.contains(".against", "required 3", "1 cycle more than required")
	r.contains("#reserve-body", "Expected 5.4 cycles", "Full charge 5.9 cycles, 0.5 lost since", "Ended by pressure",
		"Hold time 2 d 3 h", "Time to full charge 4 min 22 s", "with both of each pair; 8 min 41 s with one", "Usable oil 1 145 L")
	r.contains("#mains", "mains present")
	r.contains("#alarms-body", "None. 8 alarms judged.")
	r.contains("#machines-body", "Pumps: both can start", "next to lead: P-2", "52 %", "no run", "99 % steady", "81 % falling, under 70 % about")
	r.contains("#readings-body", "Wall temperature", "uncertain: below measuring range")
	r.contains("#events-body", "Low level: normal → unacknowledged")
	if top := see[float64](r, `document.querySelector("#at-least").getBoundingClientRect().bottom`); top > 500 {
		b.Errorf("the figure ends %.0f px down the page", top)
	}
	if oil := see[float64](r, `(() => { const o = document.querySelector(".tank .oil").getBBox(), s = document.querySelector(".tank .shell").getBBox(); return o.height / s.height; })()`); oil < 0.485 || oil > 0.487 {
		b.Errorf("oil is drawn as %.4f of the tank, it is 0.4862", oil)
	}
	r.quiet()
}

func seeWhyUnknown(b before) {
	r, _, _ := b.sits(blind, "")
	r.alive()
	r.contains("#at-least", "unknown")
	r.contains("#why-unknown", "Why: oil level: failure signal low")
	r.contains("#last-known", "Last known, not now: at least 4 cycles, expected 5.4", "4 min ago")
	r.contains("#tank-body", "oil level unknown failure signal low")
	r.contains("#readings-body", "Valve XV-2 open unknown bad: device does not answer", "At the machines: 4, all good",
		"Contacts, switches and links: 19, all good")
	r.contains("#alarms-body", "2 alarms cannot be judged")
	if r.read("#at-least") != "unknown" || see[int](r, `document.querySelectorAll(".tank .oil, .ruler").length`) != 0 {
		b.Error("a number or a picture stands where the reserve is unknown")
	}
	r.quiet()
}

func findTheMostUrgent(b before) {
	r, _, _ := b.sits(short, "")
	r.alive()
	r.contains(".short .figure", "at least 2 cycles")
	r.contains("#tally", "5 alarms, most urgent: high")
	r.contains(".alarm", "Low reserve", "high", "unacknowledged", "Do: Do not start any valve movement that can wait.", "act by", "left")
	got := see[[]string](r, `[...document.querySelectorAll(".alarm .what strong")].map((e) => e.textContent)`)
	want := []string{"Low reserve", "Overload tripped, P-2", "Low level", "Low pressure", "Selector not in automatic, C-2"}
	if strings.Join(got, "; ") != strings.Join(want, "; ") {
		b.Errorf("order %q, want %q", got, want)
	}
	r.hears("high alarm: Low reserve.")
	r.contains("#machines-body", "Pumps: only one can start; no backup; out: P-2 (overload tripped)")
	r.quiet()
}

// key presses keys, one after another.
func (r *reader) key(keys string) {
	r.t.Helper()
	if err := chromedp.Do(r.ctx, chromedp.KeyEvent(keys)); err != nil {
		r.t.Fatal(err)
	}
}

// tabTo presses Tab until the focus is on what selector finds.
func (r *reader) tabTo(selector string) {
	r.t.Helper()
	for range 60 {
		r.key(kb.Tab)
		if see[bool](r, `document.activeElement.matches(`+"`"+selector+"`"+`)`) {
			if see[string](r, `getComputedStyle(document.activeElement).outlineStyle`) == "none" {
				r.t.Errorf("the focus on %s cannot be seen", selector)
			}
			return
		}
	}
	r.t.Fatalf("Tab does not lead to %s", selector)
}

func acknowledgeByKeyboard(b before) {
	r, _, c := b.sits(short, "")
	r.alive()
	r.wait(`document.querySelector('button[data-alarm="low_reserve"]') !== null`)
	r.tabTo(`button[data-alarm="low_reserve"][data-order="acknowledge"]`)
	r.key(kb.Enter)
	r.wait(`document.querySelector("#ask").open && document.activeElement.id === "ask-by"`)
	r.key("M. Okoro" + kb.Enter)
	if got := c.last(b.T, 1); got.Order != rules.Acknowledge || got.Alarm != "low_reserve" || got.By != "M. Okoro" || got.Via != "page" {
		b.Errorf("%+v", got)
	}
	r.wait(`!document.querySelector("#ask").open`)
	r.contains("#done", "Acknowledge: done, Low reserve")
	if !see[bool](r, `document.activeElement.matches('button[data-alarm="low_reserve"]')`) {
		b.Error("the focus is lost once it is done")
	}
	r.quiet()
}

func shelveOne(b before) {
	r, _, c := b.sits(short, "")
	r.alive()
	r.wait(`document.querySelector('` + lowPressure + `') !== null`)
	r.press(lowPressure + `[data-order="shelve"]`)
	r.wait(`document.querySelector("#ask").open`)
	see[bool](r, `(document.querySelector("#ask-by").value = "M. Okoro", document.querySelector("#ask-end").value = "60", true)`)
	r.press("#ask-do")
	r.contains("#ask-why", "Reason is missing")
	see[bool](r, `(document.querySelector("#ask-reason").value = "gauge is being changed", true)`)
	r.press("#ask-do")
	got := c.last(b.T, 1)
	if left := time.Until(got.Until); got.Order != rules.Shelve || got.Alarm != "low_pressure" || got.Reason != "gauge is being changed" || left < 55*time.Minute || left > 61*time.Minute {
		b.Errorf("%+v", got)
	}
	r.wait(`!document.querySelector("#ask").open`)
	r.quiet()
}

func findWhenAPumpFails(b before) {
	r, _, _ := b.sits(stored, "")
	r.alive()
	r.press(`#machines-body a[href*="machine=pump2"]`)
	r.wait(`document.querySelector(".one .meets") !== null`)
	at := func(days int) string { return time.Now().UTC().AddDate(0, 0, days).Format("2 Jan") }
	said := r.read(".one .figures")
	for _, w := range []string{"Delivers 81 % of its baseline, smoothed", "Course falling −1.12 % a week, 88 days", "Falls under 70 % about " + at(69), "between " + at(54), "Baseline 24.0 L/min rating 24.0 L/min"} {
		if !strings.Contains(said, w) {
			b.Errorf("it does not say %q but %q", w, said)
		}
	}
	// The line meets the limit between now and the end, where the limit's line is.
	meets := see[[]float64](r, `(() => { const m = document.querySelector(".one .meets"), l = [...document.querySelectorAll(".one .limit")].map((e) => Number(e.getAttribute("y1")));
		return [Number(m.getAttribute("cy")), Math.max(...l), Number(m.getAttribute("cx")), Number(document.querySelector(".one .ahead").getAttribute("x"))]; })()`)
	if meets[0] != meets[1] || meets[2] <= meets[3] {
		b.Errorf("the forecast meets the limit at %v", meets)
	}
	if n := see[int](r, `document.querySelectorAll(".one .run").length`); n < 30 {
		b.Errorf("%d runs are drawn", n)
	}
	r.contains(".faultlist", "Machine delivers less and less", "LOO (ISO 14224)", "baseline 24.0 L/min", "last run 19.9 L/min", "change a day −0.16 %", "significance z −6.10")
	r.contains(".columns", "Clean the suction strainer", "due", "104 % run time")
	r.quiet()
}

func compareDuty(b before) {
	r, _, _ := b.sits(stored, "")
	r.alive()
	r.press(`#ways a[href^="?view=machines"]`)
	r.wait(`document.querySelectorAll(".pairwork .over").length > 20`)
	column := see[[]string](r, `[...document.querySelectorAll('[data-key="pump"] .shares tr')].map((e) => e.lastChild.textContent.replace(/\s/g, " "))`)
	if got := strings.Join(column, "; "); got != "30 d; 52 % 6 h 15 min, 38 starts; 48 % 6 h 15 min, 38 starts; P-1 4 % more" {
		b.Errorf("the last 30 days read %q", got)
	}
	// A day that nobody watched is hatched, and what was recorded adds up.
	if n := see[int](r, `document.querySelectorAll('[data-key="pump"] .dark').length`); n < 1 || n > 2 {
		b.Errorf("%d dark days", n)
	}
	r.contains(`[data-key="pump"] p.note`, "30 days: P-1 ran", "P-2", "that nobody watched")
	r.press(`.pairs a[href*="span=90d"]`)
	r.wait(`document.querySelector('[data-key="pump"] svg').getAttribute("aria-label").includes("90 days")`)
	r.quiet()
}

func findTheStandbysProof(b before) {
	r, _, _ := b.sits(stored, "")
	r.alive()
	r.press(`#ways a[href^="?view=proof"]`)
	r.wait(`document.querySelectorAll(".proofs tbody tr").length === 8 && document.querySelector(".records li") !== null`)
	day := time.Now().UTC().AddDate(0, 0, -26).Format("2 Jan")
	r.contains(`[data-key="pumps.standby"]`, "Pumps: the standby takes over", day, "pump2 helped after 312 s", "in 339 d")
	order := see[string](r, `[...document.querySelectorAll(".proofs tbody tr")].map((e) => e.dataset.key).slice(0, 3).join()`)
	if order != "valve.XV-2.strokes,compressors.standby,low_pressure.reported" {
		b.Errorf("what needs somebody does not come first: %s", order)
	}
	r.contains(`[data-key="compressors.standby"]`, "overdue since")
	r.contains(`[data-key="low_pressure.reported"]`, "not proven yet")
	r.contains(`[data-key="valve.XV-2.strokes"]`, "failed", "closing stroke not done in 17 s")
	r.contains(`[data-key="pump2.delivers"]`, "P-2 starts on demand and delivers")
	r.contains(".records", "B. Haddad", "1 pass, 1 fail, 6 not seen")
	r.quiet()
}

func tryOneValveMore(b before) {
	r, _, _ := b.sits(stored, "?unit=AU-7")
	r.alive()
	r.press(`#ways a[href="?view=suppose&unit=AU-7"]`)
	r.wait(`document.querySelector(".would") !== null`)
	r.contains(".would", "would be at least 4 cycles")
	// It begins with what is measured now.
	if got := see[string](r, `document.querySelector("#s-pressure").value + ", " + document.querySelector("#s-level").value`); got != "8.21 bar, 1.462 m" {
		b.Errorf("the form holds %q", got)
	}
	if err := chromedp.Do(r.ctx, chromedp.Focus("#s-add")); err != nil {
		b.Fatal(err)
	}
	r.key("l" + kb.Tab + kb.Tab + kb.Enter) // "like XV-1", then on to the button
	r.wait(`document.querySelector(".would strong").textContent === "2"`)
	r.contains(".said", "required 3", "1 cycle fewer than required", "Supposed, not measured: 8.21 bar", "one more valve, XV-5")
	r.contains(".compared", "At least 2 cycles 4 cycles 5 cycles", "Measured now")
	r.contains(".doubts", "heat exchange: how much heat returns", "1.34 cycles", "gas temperature: how warm the air is unknown")
	r.contains(".strokes", "Pressure and level after each cycle (expected)")
	r.contains(".answer", "not a warranty")
	if q := see[string](r, `new URLSearchParams(location.search).get("add")`); q != "XV-5 like XV-1" {
		b.Errorf("the address supposes %q", q)
	}
	see[bool](r, `(window.old = true, location.reload(), true)`)
	r.wait(`!window.old && document.querySelector(".would strong") !== null && document.querySelector("#s-add").value === "XV-1"`)
	r.press(`form button[name="full"]`)
	r.wait(`document.querySelector(".would strong").textContent === "4" && document.querySelector("#s-pressure").value === ""`)
	r.quiet()
}

func noticeThatItWasKilled(b before) {
	r, p, _ := b.sits(stored, "")
	r.alive()
	r.quiet()
	see[bool](r, witness)
	p.stop()
	r.wait(`window.took !== null`)
	if took := see[float64](r, `window.took`); took > 3000 {
		b.Errorf("it took the page %.0f ms to say so", took)
	}
	if s := see[string](r, `getComputedStyle(document.querySelector("#at-least strong")).textDecorationLine`); s != "line-through" {
		b.Errorf("the figure is not struck out: %s", s)
	}
	if title := see[string](r, `document.title`); !strings.HasPrefix(title, "NO DATA") {
		b.Errorf("title %q", title)
	}
	r.contains("#banner", "No data since", "does not hear from the agent")
	back, err := Listen(Listening{Address: p.Addr().String()}, p.http.Handler)
	if err != nil {
		b.Fatal(err)
	}
	run(b, back)
	r.alive()
}
