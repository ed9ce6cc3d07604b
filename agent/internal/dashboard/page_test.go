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

// The tasks of an operator before the page, in a real browser.
func TestPage(t *testing.T) {
	ctx := browser(t)
	tasks := []struct {
		name string
		do   func(*testing.T, context.Context)
	}{
		{"reserve and its limit", reserveAndLimit},
		{"units with one click, remembered", unitsRemembered},
		{"why it is unknown", whyUnknown},
		{"uncertain looks so", uncertainShows},
		{"keyboard alone", keyboardAlone},
		{"the most urgent alarm and its action", urgentAlarm},
		{"mains lost", mainsLost},
		{"several units", severalUnits},
	}
	for _, task := range tasks {
		t.Run(task.name, func(t *testing.T) { task.do(t, ctx) })
	}
}

func reserveAndLimit(t *testing.T, ctx context.Context) {
	r := newPlant(t, just(stored)).at(t, ctx, "", 1280, 900)
	r.alive()
	r.contains("#where", "Quillen Reach", "AU-7")
	r.contains("#at-least", "at least 4 cycles")
	r.contains(".against", "required 3", "1 cycle more than required")
	r.contains("#reserve-body", "Expected 5.4 cycles", "Full charge 5.9 cycles, 0.5 lost since", "Ended by pressure",
		"Hold time 2 d 3 h", "Time to full charge 4 min 22 s", "with both of each pair; 8 min 41 s with one", "Usable oil 1 145 L")
	r.contains("#mains", "mains present")
	r.contains("#alarms-body", "None. 8 alarms judged.")
	r.contains("#machines-body", "Pumps: both can start", "next to lead: P-2", "1 284.3 h", "52 %", "no run")
	r.contains("#readings-body", "Wall temperature", "uncertain: below measuring range")
	r.contains("#events-body", "Low level: normal → unacknowledged")
	if oil := see[float64](r, `(() => { const o = document.querySelector(".tank .oil").getBBox(), s = document.querySelector(".tank .shell").getBBox(); return o.height / s.height; })()`); oil < 0.485 || oil > 0.487 {
		t.Errorf("oil is drawn as %.4f of the tank, it is 0.4862", oil)
	}
	r.quiet()
}

func unitsRemembered(t *testing.T, ctx context.Context) {
	r := newPlant(t, just(stored)).at(t, ctx, "", 1280, 900)
	r.alive()
	r.contains("#tank-body", "1.462 m", "8.21 bar")
	r.press("#us")
	r.contains("#tank-body", "57.6 in", "119.0 psig")
	see[bool](r, `(window.old = true, location.reload(), true)`)
	r.wait(`!window.old && (document.querySelector("#tank-body") || {innerText: ""}).textContent.includes("119.0")`)
	r.press("#metric")
	r.contains("#tank-body", "8.21 bar")
	r.quiet()
}

func whyUnknown(t *testing.T, ctx context.Context) {
	r := newPlant(t, just(blind)).at(t, ctx, "", 1280, 900)
	r.alive()
	r.contains("#at-least", "unknown")
	r.contains("#why-unknown", "Why: oil level: failure signal low")
	r.contains("#last-known", "Last known, not now: at least 4 cycles, expected 5.4", "4 min ago")
	r.contains("#tank-body", "oil level unknown failure signal low")
	r.contains("#readings-body", "Valve XV-2 open unknown bad: device does not answer", "At the machines: 4, all good",
		"Contacts, switches and links: 19, all good")
	r.contains("#alarms-body", "2 alarms cannot be judged")
	if r.read("#at-least") != "unknown" || see[int](r, `document.querySelectorAll(".tank .oil, .ruler").length`) != 0 {
		t.Error("a number or a picture stands where the reserve is unknown")
	}
	r.quiet()
}

func uncertainShows(t *testing.T, ctx context.Context) {
	r := newPlant(t, just(doubtful)).at(t, ctx, "", 1280, 900)
	r.alive()
	r.contains("#reserve-body", "at least 4 cycles", "This reserve is uncertain: tank pressure above measuring range.")
	if s := see[string](r, `getComputedStyle(document.querySelector("#at-least strong")).borderBottomStyle`); s != "dotted" {
		t.Errorf("the doubtful figure is underlined %s", s)
	}
	r.contains("#tank-body", "Pressure 8.21 bar (uncertain: above measuring range)")
	r.quiet()
}

func keyboardAlone(t *testing.T, ctx context.Context) {
	r := newPlant(t, just(short)).at(t, ctx, "", 1280, 900)
	r.alive()
	var got []string
	for range 6 {
		if err := chromedp.Do(r.ctx, chromedp.KeyEvent(kb.Tab)); err != nil {
			t.Fatal(err)
		}
		got = append(got, see[string](r, `(() => { const e = document.activeElement, o = getComputedStyle(e); return e.innerText.trim().replace(/\s+/g, " ") + (o.outlineStyle === "none" ? ", unseen" : ""); })()`))
	}
	want := "To the reserve; 5 alarms, most urgent: high; metric; US; Pressure and level after each cycle (expected); Stroke by stroke"
	if strings.Join(got, "; ") != want {
		t.Errorf("Tab leads to %q", got)
	}
	if err := chromedp.Do(r.ctx, chromedp.KeyEvent(kb.Enter)); err != nil {
		t.Fatal(err)
	}
	see[bool](r, `(window.then = document.querySelector("#clock").textContent, true)`)
	r.wait(`document.querySelector("#clock").textContent !== window.then`)
	if !see[bool](r, `document.activeElement.innerText === "Stroke by stroke" && document.activeElement.parentElement.open`) {
		t.Error("what Enter opened, or the focus, is lost with the next scan")
	}
	r.quiet()
}

func urgentAlarm(t *testing.T, ctx context.Context) {
	r := newPlant(t, just(short)).at(t, ctx, "", 1280, 900)
	r.alive()
	r.contains(".short .figure", "at least 2 cycles")
	r.contains(".alarm", "Low reserve", "high", "unacknowledged", "Do: Do not start any valve movement that can wait.", "act by", "left")
	got := see[[]string](r, `[...document.querySelectorAll(".alarm .what strong")].map((e) => e.textContent)`)
	want := []string{"Low reserve", "Overload tripped, P-2", "Low level", "Low pressure", "Selector not in automatic, C-2"}
	if strings.Join(got, "; ") != strings.Join(want, "; ") {
		t.Errorf("order %q, want %q", got, want)
	}
	r.contains("#spoken", "high alarm: Low reserve.")
	r.contains("#machines-body", "Pumps: only one can start; no backup; out: P-2 (overload tripped)")
	r.quiet()
}

func mainsLost(t *testing.T, ctx context.Context) {
	p := newPlant(t, just(stored))
	r := p.at(t, ctx, "", 1280, 900)
	r.alive()
	p.become(just(dark))
	r.wait(`document.querySelector("#head.mainslost") !== null`)
	r.contains("#mains", "Mains lost: the unit lives on what is stored, since")
	r.contains("#at-least", "left: at least 3 cycles")
	r.contains("#reserve-body", "Time left 6 h 12 min until fewer than 3 are stored", "after cycle 5", "in cycle 6, XV-2 closes, limit passed")
	r.contains("#spoken", "Mains lost")
	r.quiet()
}

func severalUnits(t *testing.T, ctx context.Context) {
	two := func(now time.Time) []*rules.Assessment {
		other := short(now.UTC())
		other.Unit = "AU-8"
		return []*rules.Assessment{stored(now.UTC()), other}
	}
	r := newPlant(t, two).at(t, ctx, "", 1280, 900)
	r.wait(`document.querySelectorAll(".units tbody tr").length === 2`)
	r.contains(".units tbody tr", "AU-8", "2 of 3 required cycles", "5, high")
	r.press(`.units a[href="?unit=AU-7"]`)
	r.wait(`document.querySelector("#where").textContent.includes("AU-7")`)
	r.contains("#at-least", "at least 4 cycles")
	r.quiet()
}

// witness notes on the page's own clock when its banner comes.
const witness = `(() => { const began = performance.now(); window.took = null;
	new MutationObserver(() => { if (window.took === null && document.body.classList.contains("lost")) window.took = performance.now() - began; })
		.observe(document.body, { attributes: true }); return true; })()`

func TestFrozenPageDoesNotLookAlive(t *testing.T) {
	ctx := browser(t)
	struck := func(t *testing.T, r *reader) {
		t.Helper()
		r.wait(`window.took !== null`)
		if took := see[float64](r, `window.took`); took > 3000 {
			t.Errorf("it took the page %.0f ms to say so", took)
		}
		if s := see[string](r, `getComputedStyle(document.querySelector("#at-least strong")).textDecorationLine`); s != "line-through" {
			t.Errorf("the figure is not struck out: %s", s)
		}
		if title := see[string](r, `document.title`); !strings.HasPrefix(title, "NO DATA") {
			t.Errorf("title %q", title)
		}
	}
	t.Run("agent killed, and back", func(t *testing.T) {
		p := newPlant(t, just(stored))
		r := p.at(t, ctx, "", 390, 844)
		r.alive()
		r.quiet()
		see[bool](r, witness)
		p.stop()
		struck(t, r)
		r.contains("#banner", "No data since", "does not hear from the agent")
		back, err := Listen(Listening{Address: p.Addr().String()}, p.http.Handler)
		if err != nil {
			t.Fatal(err)
		}
		run(t, back)
		r.alive()
	})
	t.Run("scans stand still while the stream lives", func(t *testing.T) {
		p := newPlant(t, just(stored))
		r := p.at(t, ctx, "", 1280, 900)
		r.alive()
		p.become(nil)
		see[bool](r, witness)
		r.wait(`window.took !== null`)
		r.contains("#banner", "No data since", "its scans stand still")
		p.become(just(stored))
		r.alive()
		r.quiet()
	})
	t.Run("data of another form", func(t *testing.T) {
		p := newPlant(t, just(stored))
		r := p.at(t, ctx, "", 1280, 900)
		r.alive()
		p.become(func(now time.Time) []*rules.Assessment {
			a := stored(now.UTC())
			a.Schema = 99
			return []*rules.Assessment{a}
		})
		r.wait(`document.body.classList.contains("lost")`)
		r.contains("#banner", "Cannot show what the agent sent", "schema 99")
	})
}

// Pictures for a person to look at; each also must fit its screen.
func TestPictures(t *testing.T) {
	ctx := browser(t)
	states := []struct {
		name string
		of   func(time.Time) *rules.Assessment
	}{{"normal", stored}, {"alarm", short}, {"mains-lost", dark}, {"transmitter-lost", blind}}
	sizes := [][2]int64{{390, 844}, {1280, 800}, {1920, 1080}}
	for _, s := range states {
		p := newPlant(t, just(s.of))
		for _, size := range sizes {
			t.Run(fmt.Sprintf("%s at %d", s.name, size[0]), func(t *testing.T) {
				r := p.at(t, ctx, "", size[0], size[1])
				r.alive()
				r.quiet()
				r.picture(fmt.Sprintf("%s-%d", s.name, size[0]))
			})
		}
	}
	t.Run("dark", func(t *testing.T) {
		r := newPlant(t, just(short)).at(t, ctx, "", 1920, 1080)
		r.night()
		r.alive()
		r.picture("alarm-dark-1920")
	})
	t.Run("agent killed at 1280", func(t *testing.T) {
		p := newPlant(t, just(short))
		r := p.at(t, ctx, "", 1280, 800)
		r.alive()
		p.stop()
		r.wait(`document.body.classList.contains("lost")`)
		r.picture("killed-1280")
	})
	t.Run("US units at 390", func(t *testing.T) {
		r := newPlant(t, just(short)).at(t, ctx, "", 390, 844)
		r.alive()
		r.press("#us")
		r.quiet()
		r.picture("alarm-us-390")
	})
}
