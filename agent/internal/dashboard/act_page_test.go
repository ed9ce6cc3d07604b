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
	r := newPlantWith(t, just(short), func(o *Options) { o.Gate = lock{true, true} }).at(t, ctx, "", 1280, 900)
	r.wait(`document.querySelector("#banner").innerText.includes("Log in")`)
	r.press("#log")
	r.wait(`document.querySelector("#ask").open`)
	see[bool](r, `(document.querySelector("#ask-by").value = "B. Haddad", document.querySelector("#ask-secret").value = "`+seeing+`", true)`)
	r.press("#ask-do")
	r.alive()
	r.contains("#at-least", "at least 2 cycles")
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
