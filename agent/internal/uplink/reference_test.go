package uplink

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// contract is the reference: the rows of topics.md and the schemas that they
// name.
type contract struct {
	rows    []row
	schemas map[string]*jsonschema.Schema
}

type row struct {
	topic    *regexp.Regexp
	qos      byte
	retained bool
	schema   string
}

// readContract compiles the schemas strictly: readers must pass over names
// that they do not know, but a name that is published without standing in the
// reference is a mistake here.
func readContract(t testing.TB) *contract {
	t.Helper()
	c := &contract{schemas: map[string]*jsonschema.Schema{}}
	compiler := jsonschema.NewCompiler()
	compiler.AssertFormat()
	files, err := filepath.Glob("reference/*.schema.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("no schemas: %v", err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(string(text)))
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		closeObjects(doc)
		if err := compiler.AddResource(filepath.Base(file), doc); err != nil {
			t.Fatal(err)
		}
	}
	for _, file := range files {
		name := filepath.Base(file)
		if c.schemas[name], err = compiler.Compile(name); err != nil {
			t.Fatal(err)
		}
	}
	c.readRows(t)
	return c
}

// closeObjects forbids names that are not listed, wherever an object's full
// list of names stands.
func closeObjects(node any) {
	switch n := node.(type) {
	case map[string]any:
		if n["type"] == "object" {
			n["additionalProperties"] = false
		}
		for _, v := range n {
			closeObjects(v)
		}
	case []any:
		for _, v := range n {
			closeObjects(v)
		}
	}
}

var (
	rowForm  = regexp.MustCompile("(?m)^\\| `(strokebank/[^`]+)` \\| ([01]) \\| (yes|no) \\| [^|]+ \\| `([^`]+)` \\|$")
	variable = regexp.MustCompile(`<[^>]+>`)
)

func (c *contract) readRows(t testing.TB) {
	t.Helper()
	text, err := os.ReadFile("reference/topics.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range rowForm.FindAllStringSubmatch(string(text), -1) {
		c.rows = append(c.rows, row{regexp.MustCompile("^" + variable.ReplaceAllString(m[1], "[^/+#]+") + "$"),
			m[2][0] - '0', m[3] == "yes", m[4]})
	}
	if len(c.rows) != 6 {
		t.Fatalf("%d rows found in topics.md", len(c.rows))
	}
}

// check holds one message against the reference. A subscriber sees the
// retained flag only on what was there before it came.
func (c *contract) check(t testing.TB, m received, late bool) {
	t.Helper()
	for _, r := range c.rows {
		if !r.topic.MatchString(m.topic) {
			continue
		}
		if m.qos != r.qos || late && !r.retained {
			t.Errorf("%s: QoS %d, retained %t, the reference says %d, %t", m.topic, m.qos, late, r.qos, r.retained)
		}
		if len(m.payload) == 0 && strings.Contains(m.topic, "/alarm/") {
			return // the alarm is gone, and so is what the broker kept of it
		}
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(string(m.payload)))
		if err != nil {
			t.Fatalf("%s: %v", m.topic, err)
		}
		if err := c.schemas[r.schema].Validate(doc); err != nil {
			t.Errorf("%s: %v\n%s", m.topic, err, m.payload)
		}
		return
	}
	t.Errorf("topic %s is not in the reference", m.topic)
}

// Everything that a broker gets from a whole life of an agent, known and
// unknown, stands as the reference says; and every row of it occurs.
func TestWhatIsPublishedIsWhatTheReferenceSays(t *testing.T) {
	c := readContract(t)
	b := newBroker(t)
	p := newProxy(t, b.url())
	got := subscribe(t, b.url(), "strokebank/#")
	box, units := newBook(3), newBoard(assessment(1))
	box.entries[1].Event = rules.Event{Kind: rules.MachineEvent, Time: noon, Source: "pump1", Name: "started", Site: "Quillen Reach", Unit: "AU-7",
		Values: []rules.Value{{Name: "level", Value: signal.Unknown(), Unit: "m"}}}
	box.entries[2].Event = rules.Event{Kind: rules.ClockEvent, Time: noon, Source: "agent", Name: "corrected", Reason: "time server answered"}
	u := start(t, config(p.url()), box, units)
	seen := map[string]bool{}
	read := func(what string, last func(received) bool) {
		t.Helper()
		until(t, got, what, func(m received) bool {
			c.check(t, m, m.retained)
			for _, r := range c.rows {
				if r.topic.MatchString(m.topic) {
					seen[r.topic.String()] = true
				}
			}
			return last(m)
		})
	}
	read("a live message", func(m received) bool { return strings.HasSuffix(m.topic, "/live") })
	units.show(blind(2))
	read("an unknown reserve", func(m received) bool {
		return strings.HasSuffix(m.topic, "/reserve") && strings.Contains(string(m.payload), `"known":false`)
	})
	read("a second live message", func(m received) bool {
		return strings.HasSuffix(m.topic, "/live") && strings.Contains(string(m.payload), `"scan":2`)
	})
	p.cut()
	read("the will", func(m received) bool { return strings.Contains(string(m.payload), offlineUnclean) })
	p.mend()
	read("online again", func(m received) bool { return strings.Contains(string(m.payload), online) })
	eventually(t, "all events are acknowledged", func() bool { return u.Stats().Waiting == 0 })
	u.stop()
	read("the goodbye", func(m received) bool { return strings.Contains(string(m.payload), offlineClean) })
	for _, r := range c.rows {
		// The agent's event has the form of the unit's, so both rows match.
		if !seen[r.topic.String()] {
			t.Errorf("%s never came", r.topic)
		}
	}
	late := subscribe(t, b.url(), "strokebank/#")
	for range 5 {
		c.check(t, until(t, late, "a retained state", func(received) bool { return true }), true)
	}
}

// The schemas must refuse what would mislead a reader.
func TestSchemasRefuseWhatMisleads(t *testing.T) {
	c := readContract(t)
	encoded := func(v any, err error) string {
		if err != nil {
			t.Fatal(err)
		}
		return string(v.(message).payload)
	}
	msg := func(m message, err error) string { return encoded(m, err) }
	reserveText := msg(reserveMessage(blind(1)))
	alarmText := msg(alarmMessage(assessment(1), assessment(1).Alarms[2]))
	liveText := msg(liveMessage(blind(1)))
	tests := []struct {
		name, schema, text, from, to string
	}{
		{"a number in an unknown reserve", "reserve", reserveText, `"at_least_cycles":null`, `"at_least_cycles":0`},
		{"an unknown reserve without a reason", "reserve", reserveText, `"reason"`, `"because"`},
		{"a name that is not in the reference", "reserve", reserveText, `"schema":1`, `"schema":1,"extra":2`},
		{"another schema version", "reserve", reserveText, `"schema":1`, `"schema":2`},
		{"a time that is not UTC", "reserve", reserveText, `2026-03-14T12:00:01Z`, `2026-03-14T12:00:01+01:00`},
		{"an unknown alarm said to be off", "alarm", alarmText, `"active":null`, `"active":false`},
		{"a value in a bad reading", "live", liveText, `"gas_pressure":{"value":null`, `"gas_pressure":{"value":0`},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			schema := c.schemas[x.schema+".schema.json"]
			if err := validate(schema, x.text); err != nil {
				t.Fatalf("the unchanged message is refused: %v", err)
			}
			changed := strings.Replace(x.text, x.from, x.to, 1)
			if changed == x.text {
				t.Fatalf("%q does not occur in %s", x.from, x.text)
			}
			if validate(schema, changed) == nil {
				t.Errorf("accepted: %s", changed)
			}
		})
	}
}

func validate(s *jsonschema.Schema, text string) error {
	var doc any
	if err := json.Unmarshal([]byte(text), &doc); err != nil {
		return fmt.Errorf("not JSON: %w", err)
	}
	return s.Validate(doc)
}

func TestAlarmStateOfEachCondition(t *testing.T) {
	a := assessment(1)
	for i, want := range []string{`"active":true`, `"active":false`, `"active":null`} {
		m, err := alarmMessage(a, a.Alarms[i])
		if err != nil || !strings.Contains(string(m.payload), want) {
			t.Errorf("%s: want %s in %s, %v", a.Alarms[i].State, want, m.payload, err)
		}
	}
	s := a.Alarms[0]
	s.State = alarm.Returned
	if m, err := alarmMessage(a, s); err != nil || !strings.Contains(string(m.payload), `"active":false`) {
		t.Errorf("returned: %s, %v", m.payload, err)
	}
}
