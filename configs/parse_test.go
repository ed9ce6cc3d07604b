package configs

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/rules/reserve"
	"strokebank/sensors"
	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

func example(t testing.TB, name string) *Config {
	t.Helper()
	text, err := Example(name)
	if err != nil {
		t.Fatal(err)
	}
	c, err := Parse(bytes.NewReader(text))
	if err != nil {
		t.Fatalf("%s.yaml:\n%v", name, err)
	}
	return c
}

// Each example is right, and the rooms that it configures take it.
func TestExamples(t *testing.T) {
	for _, name := range []string{"quillen-reach", "dunmorrow-flats", "every-key"} {
		t.Run(name, func(t *testing.T) {
			c := example(t, name)
			poller, err := sensors.New(c.Links, stopped{}, nil)
			if err != nil {
				t.Fatalf("sensors: %v", err)
			}
			for _, u := range c.Units {
				source, err := poller.Source(u.Rules.Unit, u.Points)
				if err != nil {
					t.Fatalf("points of %s: %v", u.Rules.Unit, err)
				}
				if _, err := rules.New(u.Rules, source.Points(), nil, nil); err != nil {
					t.Errorf("rules of %s: %v", u.Rules.Unit, err)
				}
			}
		})
	}
	if _, err := Example("no-such"); err == nil {
		t.Error("an example that does not exist was given")
	}
}

type stopped struct{}

func (stopped) Now() (time.Time, time.Duration, bool) { return time.Time{}, 0, true }

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-9*math.Max(1, math.Abs(want)) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func pointOf(t *testing.T, u Unit, id signal.ID) sensors.Point {
	t.Helper()
	i := slices.IndexFunc(u.Points, func(p sensors.Point) bool { return p.ID == id })
	if i < 0 {
		t.Fatalf("no point %s", id)
	}
	return u.Points[i]
}

// The metric example in SI.
func TestQuillenReach(t *testing.T) {
	c := example(t, "quillen-reach")
	u := c.Units[0]
	r := u.Rules
	if c.Site != "quillen-reach" || r.Site != c.Site || r.Unit != "AU-7" || c.Agent != "gateway-1" || u.Display != quantity.Metric {
		t.Errorf("names %q %q %q, display %v", c.Site, r.Unit, c.Agent, u.Display)
	}
	if c.Links[0] != (sensors.Link{Name: "panel", Address: "127.0.0.1:15020", Timeout: 300 * time.Millisecond, Period: time.Second, Gap: 8}) {
		t.Errorf("link %+v", c.Links[0])
	}
	near(t, "set pressure", r.Reserve.SetPressure, 860000)
	near(t, "level offset", r.LevelOffset, 0.05)
	near(t, "lowest wall", r.Reserve.LowestWall, 263.15)
	near(t, "leak", r.Reserve.MaxLeak, 3e-3/3600)
	near(t, "unusable oil", r.Reserve.UnusableOil, r.Tank.Volume(0.3))
	near(t, "closing stroke", r.Reserve.Cycle[0].Oil, math.Pi/4*0.125*0.125*0.5)
	near(t, "opening stroke", r.Reserve.Cycle[4].Oil, math.Pi/4*(0.125*0.125-0.056*0.056)*0.5)
	if len(r.Reserve.Cycle) != 8 || !r.Reserve.Cycle[3].Closing || r.Reserve.Cycle[4].Closing || !r.Reserve.EndsWithClosing {
		t.Errorf("cycle %+v", r.Reserve.Cycle)
	}
	if r.PressureTap >= 0 {
		t.Errorf("pressure tap %v, want one in the gas", r.PressureTap)
	}
	meter := pointOf(t, u, "pump2.hour_meter").Spec
	near(t, "hour meter's factor", meter.Factor, 36)
	if meter.Address != 106 || !meter.LittleWords || meter.Format != register.Uint32 {
		t.Errorf("hour meter %+v", meter)
	}
	oil := pointOf(t, u, signal.OilTemperature).Spec
	near(t, "zero of the oil temperature", oil.Offset, 273.15)
	near(t, "least oil temperature", oil.Least, 233.15)
	hand := pointOf(t, u, "compressor2.hand").Spec
	if hand.Table != register.HoldingRegisters || hand.Address != 201 || hand.BitNumber != 7 || hand.Format != register.Bit {
		t.Errorf("selector in hand %+v", hand)
	}
	if r.Pumps.Machines[0].Installed != time.Date(2021, 5, 31, 0, 0, 0, 0, time.UTC) || r.Pumps.Machines[1].Tag != "P-72" {
		t.Errorf("pumps %+v", r.Pumps.Machines)
	}
}

// The US example in SI, its addresses counted from 1 in the file.
func TestDunmorrowFlats(t *testing.T) {
	c := example(t, "dunmorrow-flats")
	u := c.Units[0]
	if u.Display != quantity.US || !c.Links[0].OneBased || u.Rules.ScanPeriod != 2*time.Second {
		t.Errorf("display %v, link %+v", u.Display, c.Links[0])
	}
	near(t, "set pressure in psi", u.Rules.Reserve.SetPressure/6894.757293168361, 122)
	near(t, "set level in inches", u.Rules.Reserve.SetLevel/0.0254, 22.5)
	near(t, "pump rating in gpm", u.Rules.Pumps.Machines[0].Rating/(231*0.0254*0.0254*0.0254/60), 5)
	near(t, "lowest wall", u.Rules.Reserve.LowestWall, 255.3722222222222)
	p := pointOf(t, u, signal.Pressure)
	if p.Spec.Address != 40 || p.Device != 2 || !p.Spec.Current {
		t.Errorf("pressure %+v", p)
	}
	if a := pointOf(t, u, "compressor2.running").Spec.Address; a != 11 {
		t.Errorf("discrete 12 of a list from 1 is wire address %d, want 11", a)
	}
	if c.Broker != nil {
		t.Error("a broker that the file does not name")
	}
}

// What only the file with every key shows.
func TestEveryKeyValues(t *testing.T) {
	c := example(t, "every-key")
	a := c.Units[0]
	if c.Links[1].Address != "192.0.2.11:502" || c.Broker.Address != "tls://broker.example:8883" || !c.Clock.RequireSync {
		t.Errorf("link %+v, broker %+v", c.Links[1], c.Broker)
	}
	// ISO 2533, from memory: 1013.25 (1 − 0.0065·140/288.15)^5.25588 hPa.
	near(t, "atmosphere at 140 m", a.Rules.Atmosphere, 101325*math.Pow(1-0.0065*140/288.15, 5.25588))
	near(t, "pressure tap", a.Rules.PressureTap, 0.2)
	near(t, "level leg", a.Rules.LevelLeg, 1200)
	near(t, "hours before", a.Rules.Pumps.Machines[0].RunOffset, 5120.5*3600)
	near(t, "compressor", a.Rules.Compressors.Machines[1].Rating, 12.0/3600)
	if p := pointOf(t, a, signal.Level); !a.Rules.LevelByPressure || p.Spec.Unit != signal.Pascal || p.Spec.High != 20000 {
		t.Errorf("level by pressure %+v", p)
	}
	if p := pointOf(t, a, signal.Mains); !p.Spec.Invert || p.Spec.Table != register.Coils {
		t.Errorf("mains %+v", p)
	}
	if p := pointOf(t, a, "compressor1.running"); p.Link != "skid" || p.Device != 5 || p.Spec.Address != 39 {
		t.Errorf("compressor1 %+v", p)
	}
	cycle := a.Rules.Reserve.Cycle
	want := []reserve.Stroke{
		{Valve: "XV-11", Closing: true}, {Valve: "XV-12", Closing: true, Together: true},
		{Valve: "XV-11"}, {Valve: "XV-12"},
	}
	for i := range want {
		if cycle[i].Valve != want[i].Valve || cycle[i].Closing != want[i].Closing || cycle[i].Together != want[i].Together {
			t.Errorf("stroke %d is %+v, want %+v", i, cycle[i], want[i])
		}
	}
	near(t, "given oil", cycle[1].Oil, 0.0065)
	near(t, "demand", cycle[0].Demand, 540000)
	low := a.Rules.Alarms["low_pressure"]
	if low.Limit == nil || *low.Limit != 690000 || *low.OnDelay != 20*time.Second || !*low.Acknowledge || low.Priority != "high" {
		t.Errorf("low pressure %+v", low)
	}
}

// The second unit of the file with every key.
func TestEveryKeyOtherwise(t *testing.T) {
	b := example(t, "every-key").Units[1]
	// Strapping: 60 gal at 12 in, and the rod side closes.
	near(t, "unusable oil in gal", b.Rules.Reserve.UnusableOil/(231*0.0254*0.0254*0.0254), 50)
	near(t, "closing by the rod side", b.Rules.Reserve.Cycle[0].Oil, math.Pi/4*(36-6.25)*20*0.0254*0.0254*0.0254)
	if !b.Rules.Reserve.Cycle[1].Together || b.Rules.Reserve.Cycle[2].Together || !b.Rules.Reserve.Cycle[3].Together {
		t.Errorf("valves do not move together: %+v", b.Rules.Reserve.Cycle)
	}
	near(t, "default of no_answer, in", b.Rules.Pumps.NoAnswer/0.0254, 32)
	near(t, "psi of a raw tenth", pointOf(t, b, signal.Pressure).Spec.Factor, 689.4757293168361)
}

// A list from 1 has an address 65536, which is 65535 on the wire.
func TestLastAddress(t *testing.T) {
	c, problems := parseString(strings.Replace(base, "pump1.running: discrete 0", "pump1.running: {link: skid, at: discrete 65536}", 1))
	if c == nil {
		t.Fatal(problems)
	}
	if a := pointOf(t, c.Units[0], "pump1.running").Spec.Address; a != 65535 {
		t.Errorf("address %d, want 65535", a)
	}
}

// °F in a register: raw 320 with factor 0.1 is 32 °F, which is 273.15 K.
func TestFahrenheitRegister(t *testing.T) {
	c, problems := parseString(strings.Replace(base, "unit: °C, factor: 0.1", "unit: °F, factor: 0.1", 1))
	if c == nil {
		t.Fatal(problems)
	}
	s := pointOf(t, c.Units[0], signal.OilTemperature).Spec
	near(t, "raw 320", 320*s.Factor+s.Offset, 273.15)
}

func BenchmarkParse(b *testing.B) {
	text, err := Example("quillen-reach")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := Parse(bytes.NewReader(text)); err != nil {
			b.Fatal(err)
		}
	}
}

// Serial lines, with the defaults of MODBUS over Serial Line V1.02 (19200
// baud, even parity, 11 bits a character).
func TestSerialLinks(t *testing.T) {
	tests := []struct{ name, link, want string }{
		{"port", `address: "rtu:///dev/ttyS1"`, "{/dev/ttyS1 1 {19200 1 1 1s}}"},
		{"without parity", `address: "rtu:///dev/serial/by-id/a-b", parity: none`, "{/dev/serial/by-id/a-b 1 {19200 0 2 1s}}"},
		{"all keys", `address: "rtu:///dev/ttyUSB0", baud: 9600, parity: odd, stop_bits: 2, worst_latency: 2 s`, "{/dev/ttyUSB0 1 {9600 2 2 2s}}"},
		{"converter", `address: "rtu+tcp://10.0.0.7:4001", baud: 115200`, "{10.0.0.7:4001 2 {115200 1 1 1s}}"},
		{"tcp", `address: "tcp://10.0.0.7"`, "{10.0.0.7:502 0 {0 0 0 0s}}"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, problems := parseString(strings.Replace(base, `address: "tcp://127.0.0.1:502"`, tt.link, 1))
			if c == nil {
				t.Fatal(problems)
			}
			l := c.Links[0]
			if got := fmt.Sprintf("{%s %d %v}", l.Address, l.Via, l.Line); got != tt.want {
				t.Errorf("got %s, want %s", got, tt.want)
			}
		})
	}
}
