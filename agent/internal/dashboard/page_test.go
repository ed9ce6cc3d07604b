package dashboard

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// What the page does beside the tasks of TestOperatorTasks, in a real browser.
func TestPage(t *testing.T) {
	ctx := browser(t)
	tasks := []struct {
		name string
		do   func(*testing.T, context.Context)
	}{
		{"units with one click, remembered", unitsRemembered},
		{"uncertain looks so", uncertainShows},
		{"keyboard alone", keyboardAlone},
		{"mains lost", mainsLost},
		{"several units", severalUnits},
	}
	for _, task := range tasks {
		t.Run(task.name, func(t *testing.T) { task.do(t, ctx) })
	}
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
	for range 9 {
		if err := chromedp.Do(r.ctx, chromedp.KeyEvent(kb.Tab)); err != nil {
			t.Fatal(err)
		}
		got = append(got, see[string](r, `(() => { const e = document.activeElement, o = getComputedStyle(e); return e.innerText.trim().replace(/\s+/g, " ") + (o.outlineStyle === "none" ? ", unseen" : ""); })()`))
	}
	want := "To the reserve; 5 alarms, most urgent: high; metric; US; Now; Proof; Journal; Pressure and level after each cycle (expected); Stroke by stroke"
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

func mainsLost(t *testing.T, ctx context.Context) {
	p := newPlant(t, just(stored))
	r := p.at(t, ctx, "", 1280, 900)
	r.alive()
	p.become(just(dark))
	r.wait(`document.querySelector("#head.mainslost") !== null`)
	r.contains("#mains", "Mains lost: the unit lives on what is stored, since")
	r.contains("#at-least", "left: at least 3 cycles")
	r.contains("#reserve-body", "Untouched from now 6 h 12 min until fewer than 3 are stored", "after cycle 5", "in cycle 6, XV-2 closes, limit passed")
	r.contains("#countdown", "Strokes made 10 by valve switches", "Time left 30 min at the present decline", "Mains lost for 12 min", "then at least 4 cycles")
	r.hears("Mains lost")
	p.become(func(now time.Time) []*rules.Assessment {
		a := dark(now.UTC())
		a.Countdown.TimeLeft, a.Countdown.TimeLeftReason = signal.Unknown(), "the mains have not been lost for a minute yet"
		a.Countdown.MayBeMore, a.Countdown.StrokesReason = true, "a valve's limit switch was not known for a time"
		return []*rules.Assessment{a}
	})
	r.wait(`document.querySelector("#countdown .unknown") !== null`)
	r.contains("#countdown", "Strokes made at least 10 by valve switches; a valve's limit switch was not known", "Time left unknown the mains have not been lost for a minute yet")
	p.become(just(stored))
	r.wait(`document.querySelector("#countdown") === null && document.querySelector("#head.mainslost") === null`)
	r.quiet()
}

// severalUnits: a page follows the unit that it shows, is told of an alarm at
// another one, and goes over to that.
func severalUnits(t *testing.T, ctx context.Context) {
	two := func(change func(*rules.Assessment)) func(time.Time) []*rules.Assessment {
		return func(now time.Time) []*rules.Assessment {
			other := short(now.UTC())
			other.Unit = "AU-8"
			change(other)
			return []*rules.Assessment{stored(now.UTC()), other}
		}
	}
	p := newPlant(t, two(func(*rules.Assessment) {}))
	r := p.at(t, ctx, "", 1280, 900)
	r.wait(`document.querySelectorAll(".units tbody tr").length === 2`)
	r.contains(".units tbody tr", "AU-8", "2 of 3 required cycles", "5, high")
	r.press(`.units a[href="?unit=AU-7"]`)
	r.alive()
	r.contains("#where", "AU-7")
	r.contains("#at-least", "at least 4 cycles")
	p.become(two(func(a *rules.Assessment) {
		i := slices.IndexFunc(a.Alarms, func(s alarm.Status) bool { return s.State == alarm.Normal })
		a.Alarms[i].State, a.Alarms[i].Title = alarm.Unacknowledged, "The barrage leans"
	}))
	r.wait(`/AU-8: .*The barrage leans/.test(document.querySelector("#spoken").textContent)`)
	r.contains("#where", "AU-7")
	r.press(`#ways a[href="?view=units"]`)
	r.wait(`document.querySelectorAll(".units tbody tr").length === 2`)
	r.press(`.units a[href="?unit=AU-8"]`)
	r.wait(`document.querySelector("#where").textContent.includes("AU-8") && ` + shown)
	r.contains("#at-least", "at least 2 cycles")
	r.contains("#alarms", "The barrage leans")
	r.quiet()
}

// witness notes on the page's own clock when its banner comes.
const witness = `(() => { const began = performance.now(); window.took = null;
	new MutationObserver(() => { if (window.took === null && document.body.classList.contains("lost")) window.took = performance.now() - began; })
		.observe(document.body, { attributes: true }); return true; })()`

func TestFrozenPageDoesNotLookAlive(t *testing.T) {
	ctx := browser(t)
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
