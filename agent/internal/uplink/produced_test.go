package uplink

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine"
	"strokebank/rules/reserve"
	"strokebank/rules/tank"
	"strokebank/sensors/signal"
)

// plant is a unit that the rules judge, with a tank that is simple enough to be
// written down: isothermal, every flow constant.
type plant struct {
	testing.TB
	cfg    rules.Config
	points []signal.Point
	unit   *rules.Unit
	scan   signal.Scan
	on     map[signal.ID]bool
	oil    float64 // m above the lowest point
	air    float64 // J, pV
	broken bool    // the level transmitter
	events []rules.Event
}

func newPlant(t testing.TB) *plant {
	t.Helper()
	shape, err := tank.New(tank.Shape{Mounting: tank.Vertical, Diameter: 1.5, Length: 2.25, Bottom: tank.Ellipsoidal, Top: tank.Ellipsoidal})
	if err != nil {
		t.Fatal(err)
	}
	const minute = 60
	pair := func(kind machine.Kind, in, out, far, rating float64, serial string) machine.PairConfig {
		p := machine.PairConfig{Kind: kind, CutIn: in, CutOut: out, NoAnswer: far, Answer: 5 * time.Second, Turns: 2}
		for i := range p.Machines {
			p.Machines[i] = machine.Config{Position: fmt.Sprintf("%s%d", kind, i+1), Tag: fmt.Sprint(kind, i), Kind: kind, Rating: rating}
		}
		p.Machines[0].Serial = serial
		return p
	}
	p := &plant{TB: t, on: map[signal.ID]bool{signal.Mains: true}, oil: 1.5}
	p.cfg = rules.Config{
		Site: "Quillen Reach", Unit: "AU-7", ScanPeriod: time.Second, Tank: shape, Atmosphere: 101325, PressureTap: -1, OilDensity: 870,
		Reserve: reserve.Config{Tank: shape, Required: 3, MinPressure: 5e5, UnusableOil: 0.35, SetPressure: 8.3e5, SetLevel: 1.5,
			Cycle:           reserve.DefaultCycle(reserve.Stroke{Valve: "XV-1", Closing: true, Oil: 0.04, Duration: 12}, reserve.Stroke{Valve: "XV-1", Oil: 0.03, Duration: 12}),
			EndsWithClosing: true, HeatExchange: 60, HeatExchangeUpper: 90, PressureBand: 0.04e5, LevelBand: 0.005,
			LowestWall: 283.15, UsualWall: 293.15, CompressorAir: [2]float64{0.25 / minute, 0.25 / minute}},
		Pumps:       pair(machine.Pump, 1.44, 1.5, 1.35, 0.02/minute, "QR-4411"),
		Compressors: pair(machine.Compressor, 7.9e5, 8.3e5, 7.5e5, 0.25/minute, ""),
		LowLevel:    1.2, LowPressure: 7e5,
	}
	p.points = []signal.Point{{ID: signal.Pressure, Unit: signal.Pascal}, {ID: signal.Level, Unit: signal.Metre}, {ID: signal.Mains, Unit: signal.Boolean}}
	for _, m := range []string{"pump1", "pump2", "compressor1", "compressor2"} {
		p.points = append(p.points, signal.Point{ID: signal.Of(m, signal.Running), Unit: signal.Boolean})
	}
	p.air = (8.3e5 + 101325) * (shape.Total() - shape.Volume(p.oil))
	p.scan = signal.Scan{Time: noon, ClockTrusted: true, Readings: make([]signal.Reading, len(p.points))}
	p.start(nil, nil)
	return p
}

func (p *plant) start(state, beat []byte) {
	p.Helper()
	unit, err := rules.New(p.cfg, p.points, state, beat)
	if err != nil {
		p.Fatal(err)
	}
	p.unit = unit
}

// pass lets seconds pass in which the level rises, m/s, and air comes in, J/s.
func (p *plant) pass(seconds int, rise, air float64) {
	for range seconds {
		p.oil, p.air = p.oil+rise, p.air+air
		gas := p.cfg.Tank.Total() - p.cfg.Tank.Volume(p.oil)
		for i, point := range p.points {
			v := 0.0
			switch {
			case point.ID == signal.Pressure:
				v = p.air/gas - 101325
			case point.ID == signal.Level:
				v = p.oil
			case p.on[point.ID]:
				v = 1
			}
			p.scan.Readings[i] = signal.Measured(v, point.Unit, p.scan.Time)
			if p.broken && point.ID == signal.Level {
				p.scan.Readings[i] = signal.Missing(signal.Metre, signal.FailureLow, p.scan.Time)
			}
		}
		p.scan.Number++
		p.events = append(p.events, p.unit.Step(p.scan).Events...)
		p.scan.Time, p.scan.Elapsed = p.scan.Time.Add(time.Second), p.scan.Elapsed+time.Second
	}
}

// run lets a machine run for so long.
func (p *plant) run(m string, seconds int, rise, air float64) {
	p.on[signal.Of(m, signal.Running)] = true
	p.pass(seconds, rise, air)
	p.on[signal.Of(m, signal.Running)] = false
}

func (p *plant) ask(c rules.Command) {
	p.Helper()
	c.ID, c.Unit, c.By, c.Role, c.Via, c.Reason = "c", "AU-7", "M. Ferrant", rules.Act, "page", "as planned"
	events, err := p.unit.Apply(&c, &p.scan)
	if err != nil {
		p.Fatalf("%s: %v", c.Order, err)
	}
	p.events = append(p.events, events...)
}

// live is a stretch of a unit's life in which everything is measured: runs,
// one of them cut by a restart, fills, a charge, draws, a proof test, service.
func (p *plant) live() {
	p.pass(600, 0, 0)
	p.pass(15, -0.004, 0) // a draw with the gas temperature known
	p.pass(600, 0, 0)
	p.run("pump1", 300, 0.0002, 0)
	p.pass(400, 0, 0)
	p.run("compressor1", 120, 0, 300)
	p.pass(600, 0, 0)
	p.ask(rules.Command{Order: rules.AnnounceTest, Until: p.scan.Time.Add(time.Hour)})
	p.pass(15, -0.004, 0)
	p.pass(100, 0, 0)
	p.run("pump2", 300, 0.0002, 0)
	p.pass(60, 0, 0)
	p.ask(rules.Command{Order: rules.EndTest})
	p.pass(10, 0, 0)
	p.ask(rules.Command{Order: rules.ServiceDone, Source: "pump1", Task: "strainer"})
	p.ask(rules.Command{Order: rules.ServiceDone, Source: "unit", Task: "condensate"})
	p.on["pump1.running"] = true
	p.pass(20, 0.0002, 0)
	state, err := p.unit.Save()
	if err != nil {
		p.Fatal(err)
	}
	beat, err := p.unit.Beat()
	if err != nil {
		p.Fatal(err)
	}
	p.scan.Time, p.scan.Elapsed = p.scan.Time.Add(20*time.Second), 0
	p.on["pump1.running"] = false
	p.start(state, beat)
	p.broken = true
	p.run("pump1", 20, 0.0002, 0) // nobody knows what it raised
	p.pass(60, 0, 0)
}

// What the rules really produce stands as the schemas say, in every detail, and
// each kind of record occurs.
func TestProducedEventsAreWhatTheReferenceSays(t *testing.T) {
	c := readContract(t)
	p := newPlant(t)
	p.live()
	found := map[string]int{}
	texts := map[string]string{}
	cfg := config("tcp://127.0.0.1:1883")
	for i := range p.events {
		e := rules.Entry{Schema: rules.Schema, ID: fmt.Sprint("inst-", i+1), Seq: uint64(i + 1), Durable: true, Event: p.events[i]}
		m, err := cfg.eventMessage(e)
		if err != nil {
			t.Fatal(err)
		}
		c.check(t, received{topic: m.topic, qos: m.qos, payload: m.payload}, false)
		for kind, there := range map[string]bool{"run": e.Run != nil, "run cut": e.Run != nil && e.Run.Cut, "fill": e.Fill != nil,
			"fill that counts": e.Fill != nil && e.Fill.Counts, "fill that does not": e.Fill != nil && !e.Fill.Counts, "charge": e.Charge != nil,
			"draw": e.Draw != nil, "draw held against its prediction": e.Draw != nil && e.Draw.Predicted.Known(), "draw in a test": e.Draw != nil && e.Draw.Test,
			"service": e.Service != nil, "record": e.Record != nil} {
			if there {
				found[kind]++
				texts[kind] = string(m.payload)
			}
		}
	}
	for _, kind := range []string{"run", "run cut", "fill", "fill that counts", "fill that does not", "charge", "draw",
		"draw held against its prediction", "draw in a test", "service", "record"} {
		if found[kind] == 0 {
			t.Errorf("no %s occurred: %v", kind, found)
		}
	}
	t.Run("refused", func(t *testing.T) { refuseRecords(t, c, texts) })
}

// refuseRecords changes what was produced into what would mislead a reader.
func refuseRecords(t *testing.T, c *contract, texts map[string]string) {
	for _, x := range []struct{ name, of, from, to string }{
		{"a run with a negative length", "run", `"seconds":`, `"seconds":-`},
		{"a run without its end", "run", `"end":`, `"until":`},
		{"a run with more than the reference has", "run", `"lead":`, `"leads":1,"lead":`},
		{"an end of a run without the run", "run", `"run":{`, `"ran":{`},
		{"a fill that counts without a flow's ratio", "fill that counts", `"ratio":`, `"ratio":null,"was":`},
		{"a fill that counts for a reason", "fill that counts", `"counts":true`, `"counts":true,"reason":"x"`},
		{"a fill that does not count without a reason", "fill that does not", `"counts":false,"reason":`, `"counts":false,"because":`},
		{"a fill in a place nobody knows", "fill that counts", `"place":"lead"`, `"place":"first"`},
		{"a fill with a negative uncertainty", "fill that counts", `"uncertainty_ratio":`, `"uncertainty_ratio":-`},
		{"a charge of no run", "charge", `"runs":1`, `"runs":0`},
		{"a charge in other units", "charge", `"free_air_cubic_meters":`, `"free_air_litres":`},
		{"a draw without its oil", "draw", `"oil_cubic_meters":`, `"oil":`},
		{"a draw of no time", "draw", `"seconds":`, `"seconds":null,"s":`},
		{"a promise kept that was not made", "draw held against its prediction", `"predicted_low_pascals":`, `"predicted_low_pascals":null,"x":`},
		{"service by nobody's task", "service", `"task":"`, `"task":"","t":"`},
		{"service without the service", "service", `"service":{`, `"served":{`},
		{"an outcome nobody knows", "record", `"outcome":"not seen"`, `"outcome":"perhaps"`},
		{"a pass by nothing", "record", `"outcome":"pass","by":`, `"outcome":"pass","x":`},
		{"a record without its results", "record", `"results":[`, `"findings":[`},
	} {
		t.Run(x.name, func(t *testing.T) {
			schema, text := c.schemas["event.schema.json"], texts[x.of]
			changed := strings.Replace(text, x.from, x.to, 1)
			if changed == text {
				t.Fatalf("%q does not occur in %s", x.from, text)
			}
			if validate(schema, changed) == nil {
				t.Errorf("accepted: %s", changed)
			}
		})
	}
}
