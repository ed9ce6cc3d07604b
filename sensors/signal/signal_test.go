package signal

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"
)

var at = time.Date(2026, 11, 25, 3, 0, 0, 0, time.UTC)

func TestForgottenFieldsNeverLookGood(t *testing.T) {
	var r Reading
	if r.Known() || r.On() || r.Number().Known() || r.Reason.String() == "" {
		t.Errorf("the zero reading %+v passes for something", r)
	}
	if Worst := min(Good, Uncertain, Bad); Worst != Bad {
		t.Errorf("the worst quality is %v", Worst)
	}
}

func TestMeasuredRefusesWhatIsNoNumber(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if r := Measured(v, Pascal, at); r.Known() || r.Reason != Implausible {
			t.Errorf("%v came out as %+v", v, r)
		}
	}
}

func TestDeriveIsNoBetterThanItsInputs(t *testing.T) {
	good := Measured(3, Metre, at.Add(time.Second))
	old := Measured(2, Metre, at)
	late := good.Degrade(Uncertain, Late)
	lost := Missing(Metre, LinkLost, at)
	for _, c := range []struct {
		name   string
		v      float64
		inputs []Reading
		want   Reading
	}{
		{"all good: as old as the oldest", 5, []Reading{good, old}, Reading{5, Metre, Good, None, at}},
		{"one uncertain", 5, []Reading{good, late}, Reading{5, Metre, Uncertain, Late, good.Time}},
		{"one bad: no number", 5, []Reading{late, lost}, Reading{0, Metre, Bad, LinkLost, at}},
		{"not a number", math.NaN(), []Reading{good}, Reading{0, Metre, Bad, Implausible, good.Time}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := Derive(c.v, Metre, c.inputs...); got != c.want {
				t.Errorf("got %+v, want %+v", got, c.want)
			}
		})
	}
}

func TestReadingAsJSON(t *testing.T) {
	for _, c := range []struct {
		name string
		r    Reading
		want string
	}{
		{"good", Measured(8.3e5, Pascal, at), `{"value":830000,"unit":"Pa","quality":"good","reason":"","time":"2026-11-25T03:00:00Z"}`},
		{"bad is null with its reason", Missing(Pascal, FailureLow, at), `{"value":null,"unit":"Pa","quality":"bad","reason":"failure signal low","time":"2026-11-25T03:00:00Z"}`},
		{"contact", Measured(1, Boolean, at), `{"value":1,"unit":"","quality":"good","reason":"","time":"2026-11-25T03:00:00Z"}`},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := json.Marshal(c.r)
			if err != nil || string(got) != c.want {
				t.Errorf("got %s (%v)\nwant %s", got, err, c.want)
			}
			var back Reading
			if err := json.Unmarshal(got, &back); err != nil {
				t.Fatal(err)
			}
			if c.r.Unit == Boolean {
				back.Unit = Boolean // has no symbol
			}
			if back != c.r {
				t.Errorf("came back as %+v, want %+v", back, c.r)
			}
		})
	}
	var r Reading
	if err := json.Unmarshal([]byte(`{"value":null,"quality":"good"}`), &r); err != nil || r.Known() {
		t.Errorf("a null that calls itself good came in as %+v (%v)", r, err)
	}
}

func TestUnknownNumberIsNull(t *testing.T) {
	text, err := json.Marshal(struct{ A, B Number }{Unknown(), 2.5})
	if err != nil || string(text) != `{"A":null,"B":2.5}` {
		t.Errorf("%s %v", text, err)
	}
	n := Number(1)
	if err := json.Unmarshal([]byte("null"), &n); err != nil || n.Known() {
		t.Errorf("null came in as %v (%v)", n, err)
	}
}

func TestEveryWordComesBack(t *testing.T) {
	for q := Bad; q <= Good; q++ {
		var back Quality
		if _ = back.UnmarshalText([]byte(q.String())); back != q {
			t.Errorf("quality %v came back as %v", q, back)
		}
	}
	seen := map[string]bool{}
	for r := NeverRead; r <= DependsOnBad; r++ {
		var back Reason
		if _ = back.UnmarshalText([]byte(r.String())); back != r || seen[r.String()] {
			t.Errorf("reason %d %q came back as %d", r, r, back)
		}
		seen[r.String()] = true
	}
	if !strings.HasPrefix(string(OfLink("panel")), linkPrefix) || !OfLink("panel").IsLink() || Pressure.IsLink() {
		t.Error("a link's point is not told from others")
	}
}
