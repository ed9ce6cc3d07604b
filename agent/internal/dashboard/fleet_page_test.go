package dashboard

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// The page of an agent with several units: what is in sight is of the unit
// that is named, and present, or it does not look so.
func TestFleetPage(t *testing.T) {
	ctx := browser(t)
	for _, task := range []struct {
		name string
		do   func(*testing.T, context.Context)
	}{
		{"a calm fleet grows older", calmFleet},
		{"nothing of another unit stays in sight", switchedUnits},
		{"an order goes to the unit that was in sight", orderedThere},
		{"a unit whose scans stand still", standingStill},
		{"a unit that is no more", takenOut},
		{"alarms that come together, and unseen", spokenTogether},
		{"what cannot be shown, and can again", shownAgain},
		{"a view without a unit", viewOfNone},
		{"a quiet unit's events", quietUnit},
		{"the journal goes on", journalGoesOn},
		{"what is present in a view of the past", presentInThePast},
		{"a stream that comes back with what is old", backWithTheOld},
		{"another version", anotherVersion},
		{"an event while the past is read", eventMeanwhile},
	} {
		t.Run(task.name, func(t *testing.T) { task.do(t, ctx) })
	}
}

const shown = `!document.body.classList.contains("lost") && document.querySelector("#at-least") !== null`

const five = `document.querySelectorAll(".units tbody tr").length === 5`

// steady is the fleet of one moment, of which only the scans go on; change may
// change it.
func steady(change func([]*rules.Assessment)) func(time.Time) []*rules.Assessment {
	began := time.Now()
	return func(now time.Time) []*rules.Assessment {
		all := fleet(began)
		for _, a := range all {
			a.Time = now.UTC()
		}
		change(all)
		return all
	}
}

func asItIs([]*rules.Assessment) {}

// calmFleet: where nothing urgent changes in any unit the list still goes on,
// and a unit whose scans end says so. The list asks for nothing: a browser that
// has no connection free would let it wait for ever.
func calmFleet(t *testing.T, ctx context.Context) {
	began := time.Now().UTC()
	p := newPlantWith(t, steady(func(all []*rules.Assessment) { all[0].Time = began }), withPast)
	r := p.at(t, ctx, "", 1280, 900)
	r.wait(`document.querySelector(".units tr.stale a") !== null`)
	r.contains(".units tr.stale", "AU-7", "no fresh scan")
	if n := see[int](r, `document.querySelectorAll(".units tr.stale").length`); n != 1 {
		t.Errorf("%d units are without a fresh scan, not one", n)
	}
	p.become(steady(asItIs))
	r.wait(`document.querySelector(".units tr.stale") === null`)
	if n := see[int](r, `performance.getEntriesByType("resource").filter((e) => e.name.includes("/api/v1/units")).length`); n != 0 {
		t.Errorf("the list was asked for %d times", n)
	}
	r.quiet()
}

// mute lets streams that are opened from now on say nothing.
const mute = `(window.EventSource = class { constructor() { this.readyState = 0; } close() {} addEventListener() {} }, true)`

func switchedUnits(t *testing.T, ctx context.Context) {
	r := newPlantWith(t, steady(asItIs), func(o *Options) { withPast(o); o.Gate, o.Commands = lock{}, &clerk{} }).at(t, ctx, "?unit=AU-9", 1280, 900)
	r.wait(shown)
	r.wait(`document.querySelector("#main button[data-order]") !== null`)
	see[bool](r, mute)
	see[bool](r, `(history.pushState(null, "", "?unit=AU-8"), dispatchEvent(new PopStateEvent("popstate")))`)
	r.wait(`document.querySelector("#where").textContent === "Unit AU-8"`)
	if n := see[int](r, `document.querySelectorAll("#main button[data-order], #main .alarms li, #at-least").length`); n != 0 {
		t.Errorf("%d parts of AU-9 stand under AU-8", n)
	}
	r.wait(`document.body.classList.contains("lost")`)
}

func orderedThere(t *testing.T, ctx context.Context) {
	c := &clerk{}
	r := newPlantWith(t, steady(asItIs), func(o *Options) { withPast(o); o.Gate, o.Commands = lock{}, c }).at(t, ctx, "?unit=AU-9", 1280, 900)
	r.wait(shown)
	r.press(lowPressure + `[data-order="note"]`)
	r.wait(`document.querySelector("#ask").open`)
	see[bool](r, `(history.pushState(null, "", "?unit=AU-8"), dispatchEvent(new PopStateEvent("popstate")))`)
	r.wait(`document.querySelector("#where").textContent.includes("AU-8") && ` + shown)
	see[bool](r, `(document.querySelector("#ask-by").value = "M. Okoro", document.querySelector("#ask-reason").value = "seen", true)`)
	r.press("#ask-do")
	if got := c.last(t, 1); got.Unit != "AU-9" {
		t.Errorf("the order went to %s", got.Unit)
	}
}

// lively counts the changes in which the page shows figures and looks alive.
const lively = `(window.alive = 0, new MutationObserver(() => { if (document.querySelector("#at-least") && !document.body.classList.contains("lost")) window.alive++; })
	.observe(document.body, { attributes: true, childList: true, subtree: true }), true)`

// neverAlive allows for the one change that draws: the page's own watch follows it.
func (r *reader) neverAlive() {
	r.t.Helper()
	if n := see[int](r, `window.alive`); n > 1 {
		r.t.Errorf("old figures looked alive in %d changes", n)
	}
}

func standingStill(t *testing.T, ctx context.Context) {
	for name, ago := range map[string]time.Duration{"long ago": 6 * time.Hour, "by a clock that was ahead": -6 * time.Hour} {
		at := time.Now().UTC().Add(-ago)
		r := newPlantWith(t, steady(func(all []*rules.Assessment) { all[1].Time = at }), withPast).at(t, ctx, "", 1280, 900)
		r.wait(five)
		see[bool](r, lively)
		r.press(`.units a[href="?unit=AU-8"]`)
		r.wait(`document.querySelector("#at-least") !== null && document.body.classList.contains("lost")`)
		r.contains("#banner", "its scans stand still")
		t.Log(name)
		r.neverAlive()
	}
}

// backWithTheOld: the stream was lost, the scans ended meanwhile, and it is back
// with a scan that the page has not seen and that is old.
func backWithTheOld(t *testing.T, ctx context.Context) {
	began := time.Now().UTC()
	p := newPlantWith(t, just(func(time.Time) *rules.Assessment { a := stored(began); a.Time = time.Now().UTC(); return a }), withPast)
	r := p.at(t, ctx, "", 1280, 900)
	r.alive()
	p.stop()
	r.wait(`document.body.classList.contains("lost")`)
	see[bool](r, lively)
	newPlantAt(t, p.Addr().String(), just(func(time.Time) *rules.Assessment { a := stored(began); a.Time = began.Add(-time.Minute); return a }), withPast)
	r.wait(`document.querySelector("#banner").textContent.includes("its scans stand still")`)
	r.neverAlive()
}

// anotherVersion has scripts of its own: an open page loads them.
func anotherVersion(t *testing.T, ctx context.Context) {
	p := newPlantWith(t, just(stored), withPast)
	r := p.at(t, ctx, "", 1280, 900)
	r.alive()
	see[bool](r, `(window.old = true)`)
	p.stop()
	r.wait(`document.body.classList.contains("lost")`)
	newPlantAt(t, p.Addr().String(), just(stored), func(o *Options) { withPast(o); o.Version = "0.1-test" })
	r.wait(`window.old === undefined && document.querySelector("#version").textContent === "strokebank 0.1-test"`)
	r.alive()
	see[bool](r, `(window.old = true)`)
	since := see[float64](r, `performance.now()`)
	r.wait(fmt.Sprintf(`performance.now() > %f`, since+2500))
	if !see[bool](r, `window.old`) {
		t.Error("it loads itself again and again")
	}
}

// eventMeanwhile comes while the page reads what was before.
func eventMeanwhile(t *testing.T, ctx context.Context) {
	b := journal(time.Now(), 40)
	asked, answer := make(chan struct{}), make(chan struct{})
	var once sync.Once
	b.read = func() {
		once.Do(func() { close(asked) })
		<-answer
	}
	r := newPlantWith(t, just(stored), func(o *Options) { withPast(o); o.Events = b }).at(t, ctx, "", 1280, 900)
	<-asked
	r.wait(`performance.getEntriesByType("resource").some((e) => e.name.includes("/api/v1/events"))`) // of the agent's own
	e := b.entries[0]
	e.Seq, e.ID, e.Name = 41, "q7-41", "creaked"
	b.add(e)
	since := see[float64](r, `performance.now()`)
	r.wait(fmt.Sprintf(`performance.now() > %f`, since+1500)) // the stream has brought it by then
	close(answer)
	r.wait(`document.querySelector(".events li") !== null`)
	r.contains(".events li", "creaked")
}

func takenOut(t *testing.T, ctx context.Context) {
	p := newPlantWith(t, steady(asItIs), withPast)
	r := p.at(t, ctx, "", 1280, 900)
	r.wait(five)
	r.contains("#mains", "Mains lost: AU-8")
	p.become(steady(func(all []*rules.Assessment) { all[1].Unit = "AU-18"; all[1].PowerLost = false }))
	r.wait(`document.querySelector("#mains").textContent === ""`)
	r.press(`.units a[href="?unit=AU-7"]`)
	r.alive()
	see[bool](r, `(history.pushState(null, "", "?unit=AU-8"), dispatchEvent(new PopStateEvent("popstate")))`)
	r.wait(`document.querySelector("#banner").textContent === "No unit named AU-8 is known here."`)
}

func spokenTogether(t *testing.T, ctx context.Context) {
	p := newPlantWith(t, steady(asItIs), withPast)
	r := p.at(t, ctx, "?unit=AU-7", 1280, 900)
	r.alive()
	raised := func(title string) func([]*rules.Assessment) {
		return func(all []*rules.Assessment) {
			for _, a := range all[:3] {
				i := slices.IndexFunc(a.Alarms, func(s alarm.Status) bool { return s.State == alarm.Normal })
				a.Alarms[i].State, a.Alarms[i].Title = alarm.Unacknowledged, title
			}
		}
	}
	p.become(steady(raised("The barrage leans")))
	r.wait(`["AU-7", "AU-8", "AU-9"].every((u) => new RegExp(u + ": [^:]*: The barrage leans|" + u + ": .*The barrage leans").test(document.querySelector("#spoken").textContent))`)
	// Who does not look is told when they look again.
	if n := see[int](r, `document.querySelectorAll("#spoken p").length`); n < 3 {
		t.Errorf("%d things are being said, the others were cut short", n)
	}
	const look = `(Object.defineProperty(document, "hidden", { value: %t, configurable: true }), document.dispatchEvent(new Event("visibilitychange")))`
	see[bool](r, fmt.Sprintf(look, true))
	p.become(steady(asItIs))
	p.become(steady(func(all []*rules.Assessment) {
		raised("The weir sings")(all)
		all[0].Alarms[0].Title = "of the hidden page"
	}))
	see[bool](r, `(window.asked = performance.now(), true)`)
	r.wait(`performance.now() - window.asked > 1500`)
	if got := see[string](r, `document.querySelector("#spoken").textContent`); strings.Contains(got, "The weir sings") {
		t.Errorf("told while nobody looked: %s", got)
	}
	see[bool](r, fmt.Sprintf(look, false))
	r.hears("The weir sings")
}

func shownAgain(t *testing.T, ctx context.Context) {
	p := newPlantWith(t, steady(asItIs), withPast)
	r := p.at(t, ctx, "", 1280, 900)
	r.wait(five)
	p.become(steady(func(all []*rules.Assessment) { all[1].Schema = 99 }))
	r.wait(`document.querySelector("#banner").textContent.includes("AU-8: the agent's data has another form (schema 99)")`)
	p.become(steady(func(all []*rules.Assessment) { all[1].PowerLost = false }))
	r.wait(`document.querySelector("#banner").hidden && !document.body.classList.contains("lost")`)
	// Another unit's fault does not spoil the one in sight, nor does its scan hide it.
	r.press(`.units a[href="?unit=AU-7"]`)
	r.alive()
	p.become(steady(func(all []*rules.Assessment) { all[1].Schema = 99 }))
	r.wait(`document.querySelector("#tally").textContent.includes("what the agent says of AU-8 cannot be shown") && ` + shown)
	p.become(steady(func(all []*rules.Assessment) { all[0].Schema = 99 }))
	r.wait(`document.querySelector("#banner").textContent.includes("schema 99")`)
}

func viewOfNone(t *testing.T, ctx context.Context) {
	for _, address := range []string{"?view=machines", "?view=now", "?view=units&unit=AU-7"} {
		r := newPlantWith(t, steady(asItIs), withPast).at(t, ctx, address, 1280, 900)
		r.wait(five)
		r.wait(`!document.body.classList.contains("lost")`)
	}
	r := newPlantWith(t, just(stored), withPast).at(t, ctx, "?view=units", 1280, 900)
	r.alive()
}

// busy is a book in which AU-8 has pushed everything else out of the newest events.
func busy() *book {
	b := journal(time.Now(), 40)
	for i := range 200 {
		e := b.entries[0]
		e.Seq, e.ID, e.Unit, e.Name = uint64(41+i), fmt.Sprintf("b-%d", i), "AU-8", "surged"
		b.entries = append(b.entries, e)
	}
	return b
}

func quietUnit(t *testing.T, ctx context.Context) {
	b := busy()
	r := newPlantWith(t, steady(asItIs), func(o *Options) { withPast(o); o.Events = b }).at(t, ctx, "?unit=AU-7", 1280, 900)
	r.alive()
	r.contains("#events-body", "Low level")
	e := b.entries[0]
	e.Seq, e.ID, e.Name = 241, "b-new", "creaked"
	b.add(e)
	r.wait(`document.querySelector("#events-body li").textContent.includes("creaked")`)
	if s := r.read("#events-body"); strings.Contains(s, "surged") {
		t.Errorf("another unit's events: %s", s)
	}
}

func journalGoesOn(t *testing.T, ctx context.Context) {
	b := busy()
	r := newPlantWith(t, steady(asItIs), func(o *Options) { withPast(o); o.Events = b }).at(t, ctx, "?view=journal&unit=AU-7", 1280, 900)
	r.wait(`document.querySelectorAll(".found li").length === 40`)
	e := b.entries[0]
	e.Seq, e.ID, e.Name = 241, "b-new", "creaked"
	b.add(e)
	r.wait(`document.querySelector(".found li").textContent.includes("creaked")`)
	// Much at once is read at once.
	for i := range 50 {
		e.Seq, e.ID, e.Name = uint64(242+i), fmt.Sprintf("b-more-%d", i), "groaned"
		b.add(e)
	}
	r.wait(`document.querySelectorAll(".found li").length === 60`)
	if n := see[int](r, `performance.getEntriesByType("resource").filter((e) => e.name.includes("/api/v1/journal")).length`); n > 8 {
		t.Errorf("the journal was asked for %d times", n)
	}
	// Who reads what was before is left there, and told.
	r.press("button.earlier")
	r.wait(`document.querySelectorAll(".found li").length === 91`)
	e.Seq, e.ID, e.Name = 292, "b-last", "fell over"
	b.add(e)
	r.wait(`document.querySelector("button.newer") !== null`)
	r.press("button.newer")
	r.wait(`document.querySelectorAll(".found li").length === 60 && document.querySelector(".found li").textContent.includes("fell over")`)
	// A filter is a step that leads back.
	see[bool](r, `(document.querySelector("[name=kind]").value = "alarm", document.querySelector("[name=kind]").dispatchEvent(new Event("change", { bubbles: true })), true)`)
	r.wait(`location.search.includes("kind=alarm") && document.querySelectorAll(".found li").length === 8`)
	see[bool](r, `(history.back(), true)`)
	r.wait(`document.querySelectorAll(".found li").length === 60 && document.querySelector("[name=kind]").value === ""`)
}

func presentInThePast(t *testing.T, ctx context.Context) {
	for view, what := range map[string]string{"suppose": ".compared .present", "trends": ".reads .present"} {
		p := newPlantWith(t, steady(asItIs), withPast)
		r := p.at(t, ctx, "?unit=AU-7&view="+view, 1280, 900)
		struck := fmt.Sprintf(`getComputedStyle(document.querySelector(%q)).textDecorationLine`, what)
		r.wait(fmt.Sprintf(`document.querySelector(%q) !== null && !document.body.classList.contains("lost")`, what))
		if s := see[string](r, struck); s != "none" {
			t.Errorf("%s: struck out while it is present: %s", view, s)
		}
		p.stop()
		r.wait(`document.body.classList.contains("lost")`)
		if s := see[string](r, struck); s != "line-through" {
			t.Errorf("%s: what is old looks present: %s", view, s)
		}
	}
}
