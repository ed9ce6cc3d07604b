package dashboard

import (
	"context"
	"testing"
	"time"

	"strokebank/rules"
)

func TestPeopleActOnThePage(t *testing.T) {
	ctx := browser(t)
	for _, task := range []struct {
		name string
		do   func(*testing.T, context.Context)
	}{
		{"acknowledge and note", actOnThePage},
		{"log in to act", logInToAct},
		{"log in to see", logInToSee},
		{"who may not act sees no buttons", noButtons},
		{"work at the machines", workAtTheMachines},
		{"a test from the page", testFromThePage},
		{"search the journal", searchTheJournal},
	} {
		t.Run(task.name, func(t *testing.T) { task.do(t, ctx) })
	}
}

// last is the command that was carried out last, once there are n.
func (c *clerk) last(t *testing.T, n int) rules.Command {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		c.mu.Lock()
		if len(c.done) >= n {
			defer c.mu.Unlock()
			return c.done[n-1]
		}
		c.mu.Unlock()
		if time.Now().After(end) {
			t.Fatalf("command %d never came", n)
		}
	}
}

const lowPressure = `button[data-alarm="low_pressure"]`

func actOnThePage(t *testing.T, ctx context.Context) {
	c := &clerk{}
	r := newPlantWith(t, just(short), func(o *Options) { o.Gate, o.Commands = lock{}, c }).at(t, ctx, "", 1280, 900)
	r.alive()
	r.wait(`document.querySelector('` + lowPressure + `') !== null`)
	if see[bool](r, `document.querySelector("#log").hidden`) == false {
		t.Error("a log-in is offered where there is no secret")
	}
	// The first time it asks who is there, then no more.
	r.press(lowPressure + `[data-order="acknowledge"]`)
	r.wait(`document.querySelector("#ask").open`)
	r.press("#ask-do")
	r.contains("#ask-why", "Say who you are")
	see[bool](r, `(document.querySelector("#ask-by").value = "M. Okoro", true)`)
	r.press("#ask-do")
	if got := c.last(t, 1); got.Order != rules.Acknowledge || got.Alarm != "low_pressure" || got.Source != "unit" || got.Unit != "AU-7" || got.By != "M. Okoro" || got.Via != "page" {
		t.Errorf("%+v", got)
	}
	r.wait(`!document.querySelector("#ask").open`)
	r.contains("#done", "Acknowledge: done")
	r.press(`button[data-alarm="low_level"][data-order="acknowledge"]`)
	if got := c.last(t, 2); got.Alarm != "low_level" || got.By != "M. Okoro" {
		t.Errorf("%+v", got)
	}
	r.press(`#events-body button[data-order="note"]`)
	r.wait(`document.querySelector("#ask").open`)
	see[bool](r, `(document.querySelector("#ask-reason").value = "oil was topped up", true)`)
	r.press("#ask-do")
	if got := c.last(t, 3); got.Order != rules.Note || got.Reason != "oil was topped up" {
		t.Errorf("%+v", got)
	}
	r.quiet()
}

func logInToAct(t *testing.T, ctx context.Context) {
	c := &clerk{}
	r := newPlantWith(t, just(short), func(o *Options) { o.Gate, o.Commands = lock{act: true}, c }).at(t, ctx, "", 1280, 900)
	r.alive()
	r.wait(`!document.querySelector("#log").hidden`)
	if see[bool](r, `document.querySelector('button[data-order="acknowledge"]') !== null`) {
		t.Error("who has not logged in is offered to act")
	}
	r.press("#log")
	r.wait(`document.querySelector("#ask").open`)
	see[bool](r, `(document.querySelector("#ask-by").value = "B. Haddad", document.querySelector("#ask-secret").value = "`+acting+`", true)`)
	r.press("#ask-do")
	r.wait(`document.querySelector('` + lowPressure + `') !== null`)
	r.contains("#log", "log out B. Haddad")
	r.press(lowPressure + `[data-order="acknowledge"]`)
	if got := c.last(t, 1); got.By != "B. Haddad" || got.Via != "page" {
		t.Errorf("%+v", got)
	}
	r.press("#log")
	r.wait(`document.querySelector("#log").innerText === "log in"`)
	r.quiet()
}

func logInToSee(t *testing.T, ctx context.Context) {
	p := newPlantWith(t, just(short), func(o *Options) { o.Gate = lock{true, true} })
	other := p.at(t, ctx, "", 1280, 900)
	other.wait(`document.querySelector("#banner").innerText.includes("Log in")`)
	r := p.at(t, ctx, "", 1280, 900)
	r.wait(`document.querySelector("#banner").innerText.includes("Log in")`)
	r.press("#log")
	r.wait(`document.querySelector("#ask").open`)
	see[bool](r, `(document.querySelector("#ask-by").value = "B. Haddad", document.querySelector("#ask-secret").value = "`+seeing+`", true)`)
	r.press("#ask-do")
	r.alive()
	r.contains("#at-least", "at least 2 cycles")
	// Another page of the same browser may see now too, and finds it out; who has
	// logged out has nothing left.
	other.alive()
	r.press("#log")
	r.wait(`document.querySelector("#at-least") === null && document.querySelector("#banner").innerText.includes("Log in")`)
	r.quiet()
}

func noButtons(t *testing.T, ctx context.Context) {
	r := newPlant(t, just(short)).at(t, ctx, "", 1280, 900)
	r.alive()
	if see[bool](r, `document.querySelector("button[data-order]") !== null || !document.querySelector("#log").hidden`) {
		t.Error("something is offered that cannot be done")
	}
	r.quiet()
}

// acted opens a dialog by its button, fills it in and carries it out.
func (r *reader) acted(button string, fields map[string]string) {
	r.t.Helper()
	r.wait(`document.querySelector('` + button + `') !== null`)
	r.press(button)
	r.wait(`document.querySelector("#ask").open`)
	for id, value := range fields {
		if see[bool](r, `document.querySelector("#ask-`+id+`-line").hidden`) {
			r.t.Errorf("%s is not asked for", id)
		}
		see[bool](r, `(document.querySelector("#ask-`+id+`").value = "`+value+`", true)`)
	}
	r.press("#ask-do")
}

func workAtTheMachines(t *testing.T, ctx context.Context) {
	r, p, c := before{t, ctx, 1280}.sits(stored, "?view=machines&unit=AU-7&machine=pump2")
	r.acted(`button[data-order="out_of_service"]`, map[string]string{"by": "M. Okoro", "reason": "coupling", "end": "1440"})
	got := c.last(t, 1)
	if left := time.Until(got.Until); got.Order != rules.OutOfService || got.Source != "pump2" || got.Reason != "coupling" || got.By != "M. Okoro" || left < 23*time.Hour || left > 24*time.Hour+time.Minute {
		t.Errorf("%+v", got)
	}
	r.wait(`!document.querySelector("#ask").open`)
	r.acted(`button[data-order="exchange_machine"]`, map[string]string{"reason": "seized", "serial": "QR-5120", "hours": "12,5", "starts": "40"})
	if got := c.last(t, 2); got.Order != rules.ExchangeMachine || got.Serial != "QR-5120" || got.SecondsSoFar != 45000 || got.StartsSoFar != 40 {
		t.Errorf("%+v", got)
	}
	r.wait(`!document.querySelector("#ask").open`)
	r.acted(`button[data-order="service_done"][data-task="strainer"]`, map[string]string{"reason": "cleaned"})
	if got := c.last(t, 3); got.Order != rules.ServiceDone || got.Source != "pump2" || got.Task != "strainer" || got.Reason != "cleaned" {
		t.Errorf("%+v", got)
	}
	r.wait(`!document.querySelector("#ask").open`)
	r.acted(`button[data-order="set_baseline"]`, map[string]string{"reason": "new bearings"})
	if got := c.last(t, 4); got.Order != rules.SetBaseline || got.Reason != "new bearings" {
		t.Errorf("%+v", got)
	}
	r.wait(`!document.querySelector("#ask").open`)
	p.become(func(now time.Time) []*rules.Assessment {
		a := stored(now.UTC())
		a.Away = []rules.Away{{Source: "pump2", Since: now, Until: now.Add(24 * time.Hour), Reason: "coupling", By: "M. Okoro"}}
		return []*rules.Assessment{a}
	})
	r.contains(".one", "stopped")
	r.wait(`document.querySelector('button[data-order="back_in_service"]') !== null`)
	r.contains(".one .weak", "Out of service until", "coupling (M. Okoro)")
	r.press(`button[data-order="back_in_service"]`) // needs no words: it is done at once
	if got := c.last(t, 5); got.Order != rules.BackInService || got.Source != "pump2" {
		t.Errorf("%+v", got)
	}
	if n := see[int](r, `document.querySelectorAll(".runs tbody tr").length`); n != 12 {
		t.Errorf("%d runs", n)
	}
	r.press(".one .earlier")
	r.wait(`document.querySelectorAll(".runs tbody tr").length === 62`)
	r.quiet()
}

func testFromThePage(t *testing.T, ctx context.Context) {
	r, p, c := before{t, ctx, 1280}.sits(stored, "?view=proof&unit=AU-7")
	r.acted(`button[data-order="announce_test"]`, map[string]string{"by": "B. Haddad", "reason": "yearly test", "end": "240"})
	if got := c.last(t, 1); got.Order != rules.AnnounceTest || got.Reason != "yearly test" || time.Until(got.Until) < 3*time.Hour {
		t.Errorf("%+v", got)
	}
	p.become(just(tested))
	r.wait(`document.querySelector('button[data-order="end_test"]') !== null`)
	r.contains(".undertest", "announced by B. Haddad: yearly test", "1 pass, 1 fail, 6 not seen", "✕ fail")
	r.quiet()
	// This agent does not answer in time: nobody knows yet what came of it.
	r.press(`button[data-order="end_test"]`)
	r.wait(`document.querySelector("#done").textContent.startsWith("End the test: nobody knows yet what came of it")`)
	r.press(".records summary")
	r.contains(".records .sheet", "XV-2 completes its stroke in its time ✕ fail closing stroke not done in 17 s", "XV-1 completes its stroke in its time ✓ pass")
}

func searchTheJournal(t *testing.T, ctx context.Context) {
	r, _, _ := before{t, ctx, 1280}.sits(stored, "?view=journal&unit=AU-7")
	r.wait(`document.querySelectorAll(".found li").length > 30`)
	see[bool](r, `(() => { const k = document.querySelector("select[name=kind]"); k.value = "alarm"; k.dispatchEvent(new Event("change", { bubbles: true })); return true; })()`)
	r.wait(`new URLSearchParams(location.search).get("kind") === "alarm" && document.querySelectorAll(".found li").length === 11`)
	see[bool](r, `(() => { const k = document.querySelector("select[name=source]"); k.value = "pump2"; k.dispatchEvent(new Event("change", { bubbles: true })); return true; })()`)
	r.wait(`document.querySelectorAll(".found li").length === 2`)
	r.contains(".found", "P-2 Overload tripped", "Machine delivers less and less")
	// The address holds the filter, and so does the way back.
	see[bool](r, `(window.old = true, location.reload(), true)`)
	r.wait(`!window.old && document.querySelectorAll(".found li").length === 2 && document.querySelector("select[name=source]").value === "pump2"`)
	see[bool](r, `(history.back(), true)`)
	r.wait(`document.querySelectorAll(".found li").length === 11 && document.querySelector("select[name=source]").value === ""`)
	r.quiet()
}
