package metrics

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	dto "github.com/prometheus/client_model/go"
)

var update = flag.Bool("update", false, "write reference.md anew")

const preamble = `# Metrics

Every name under ` + "`/metrics`" + ` that begins with ` + "`strokebank_`" + ` and belongs to a unit. Names are a contract:
a name or a meaning changes only with the major version, new names may come at any time.

- Values are in base units, and the unit stands in the name. Pressures are gauge unless the name says absolute.
- What is not known is absent, never 0. ` + "`strokebank_reserve_known`, `strokebank_reading_quality`" + ` and
  ` + "`strokebank_alarm_state`" + ` say so.
- Counters (` + "`_total`" + `) count from the start of the process. What is kept for the life of a machine is a gauge:
  take a difference of it, not a rate.
- A series with a word as its last label (` + "`quality`, `state`, `priority`, `redundancy`, `limit`" + `) is a state set:
  one series for each word, 1 for the one that holds.
- ` + "`strokebank_reserve_cycles{figure=\"at_least\"}`" + ` is a computed lower bound. It is not a protective function and
  not a warranty.

Beside these stand ` + "`strokebank_build_info`" + `, [the agent's own](#the-agent), and what the Go runtime (` + "`go_`" + `) and
the process (` + "`process_`" + `) offer.

| name | kind | labels | meaning |
| --- | --- | --- | --- |
`

// reference is the text of reference.md, made from the catalogue.
func reference() string {
	var b strings.Builder
	b.WriteString(preamble)
	for _, s := range catalogue {
		kind := "gauge"
		if s.counter {
			kind = "counter"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", s.name, kind, strings.Join(s.labels, ", "), s.help)
	}
	return b.String()
}

func TestReferenceIsUpToDate(t *testing.T) {
	if *update {
		if err := os.WriteFile("reference.md", []byte(reference()+agents+rest(t)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile("reference.md")
	if err != nil {
		t.Fatal(err)
	}
	if units, _, _ := strings.Cut(string(text), agents); units != reference() {
		t.Error("reference.md differs from the catalogue: run go test ./agent/internal/metrics -update and read the difference")
	}
}

// agents begins the part of the reference that package main holds, which joins
// the agent's parts.
const agents = "\n## The agent\n"

// rest is that part as it stands.
func rest(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("reference.md")
	if err != nil {
		t.Fatal(err)
	}
	_, found, _ := strings.Cut(string(text), agents)
	return found
}

// What is exposed is exactly what the reference names, kind and labels too.
func TestReferenceIsWhatIsExposed(t *testing.T) {
	exposed := families(t, handler(t, board{everything(), blind()}))
	for _, s := range catalogue {
		f := exposed[s.name]
		delete(exposed, s.name)
		if f == nil {
			t.Errorf("%s is in the reference but never exposed", s.name)
			continue
		}
		if f.GetHelp() != s.help || (f.GetType() == dto.MetricType_COUNTER) != s.counter {
			t.Errorf("%s: exposed as %s with help %q", s.name, f.GetType(), f.GetHelp())
		}
		want := slices.Sorted(slices.Values(s.labels))
		for _, m := range f.GetMetric() {
			var got []string
			for _, l := range m.GetLabel() {
				got = append(got, l.GetName())
			}
			slices.Sort(got)
			if !slices.Equal(got, want) {
				t.Errorf("%s: labels %v, want %v", s.name, got, want)
			}
		}
	}
	for name := range exposed {
		if strings.HasPrefix(name, prefix) && name != prefix+"build_info" {
			t.Errorf("%s is exposed but not in the reference", name)
		}
	}
}
