package dashboard

import (
	"slices"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// Failures are confirmed, corrected, rejected, closed and recorded on the
// page, and what a person says stands beside what was seen.
func TestPeopleJudgeFailuresOnThePage(t *testing.T) {
	found := func(now time.Time) *rules.Assessment {
		a := stored(now)
		unknown := rules.FailureUse{Run: signal.Unknown(), Starts: signal.Unknown()}
		seen := &rules.FailureSeen{Time: now.Add(-time.Hour), Alarm: "failed_to_start", Mode: "FTS", Impact: rules.Critical, Times: 3, Last: now, FailureUse: unknown}
		said := &rules.FailureSaid{Time: now, By: "B. Haddad", Mode: "BRD", Reason: "coupling broken", FailureUse: unknown}
		a.Failures = []rules.Failure{{ID: "F1-20261125", Position: "pump2", State: rules.Unconfirmed, Seen: seen},
			{ID: "F2-20261125", Position: "pump2", State: rules.Confirmed, Seen: seen, Said: said},
			{ID: "F3-20261125", Position: "pump1", State: rules.Unconfirmed, Seen: seen}}
		return a
	}
	r, _, c := before{t, browser(t), 1280}.sits(found, "?view=machines&unit=AU-7&machine=pump2")
	r.wait(`document.querySelector(".failures") !== null`)
	r.contains(".failures", "F1", "FTS", "3 times", "Nobody has confirmed", "F2", "BRD", "Seen: FTS", "confirmed by B. Haddad: coupling broken")
	if n := see[int](r, `document.querySelectorAll(".failures > li").length`); n != 2 {
		t.Errorf("%d failures of pump2", n)
	}
	button := func(order, id string) string { return `button[data-order="` + order + `"][data-failure="` + id + `"]` }
	for i, step := range []struct {
		order  rules.Order
		id     string
		fields map[string]string
	}{
		{rules.ConfirmFailure, "F1-20261125", map[string]string{"by": "M. Okoro"}},
		{rules.CorrectFailure, "F1-20261125", map[string]string{"reason": "shaft sheared", "mode": "BRD"}},
		{rules.RejectFailure, "F1-20261125", map[string]string{"reason": "it was a test"}},
		{rules.CloseFailure, "F2-20261125", map[string]string{"reason": "coupling replaced"}},
	} {
		r.acted(button(string(step.order), step.id), step.fields)
		got := c.last(t, i+1)
		if got.Order != step.order || got.Failure != step.id || got.Source != "pump2" || got.Reason != step.fields["reason"] || got.Mode != step.fields["mode"] || got.By != "M. Okoro" {
			t.Errorf("%+v", got)
		}
		r.wait(`!document.querySelector("#ask").open`)
	}
	r.acted(`button[data-order="record_failure"]`, map[string]string{"reason": "oil at the seal", "mode": "ELP"})
	if got := c.last(t, 5); got.Order != rules.RecordFailure || got.Source != "pump2" || got.Mode != "ELP" || got.Failure != "" {
		t.Errorf("%+v", got)
	}
	modes := see[[]string](r, `[...document.querySelectorAll("#ask-mode option")].map((o) => o.value).sort()`)
	if !slices.Equal(modes, rules.FailureModes()) {
		t.Errorf("the page offers %v", modes)
	}
	if see[bool](r, `document.querySelector('`+button("close_failure", "F1-20261125")+`') !== null`) {
		t.Error("what nobody has confirmed can be closed")
	}
	r.quiet()
}
