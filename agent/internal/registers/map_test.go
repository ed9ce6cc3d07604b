package registers

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

var noon = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

// everything is a unit of which all is known; no figure in it is 0 but where
// the name says so.
func everything() *rules.Assessment {
	a := &rules.Assessment{
		Site: "quillen-reach", Unit: "AU-7", Time: noon, ClockTrusted: true, Scan: 0x1_8005, Quality: signal.Good,
		Readings: []rules.NamedReading{
			{ID: signal.Pressure, Reading: signal.Measured(8.517e5, signal.Pascal, noon)},
			{ID: signal.Mains, Reading: signal.Measured(1, signal.Boolean, noon)},
		},
		GasPressure: signal.Measured(9.53e5, signal.Pascal, noon), Level: signal.Measured(1.1554, signal.Metre, noon),
		OilVolume: signal.Measured(1.8346, signal.CubicMetre, noon),
		Reserve: reserve.Figures{Known: true, Quality: signal.Uncertain, Required: 9, AtLeast: 9, Expected: 15.64, FullCharge: 16.75,
			HoldTime: 100000.9, TimeToFull: 300.4, TimeToFullOne: 600},
		Pairs: []machine.PairStatus{
			{Kind: machine.Pump, Available: 2, Redundancy: "both", Imbalance: -0.2045, SameLead: 1},
			{Kind: machine.Compressor, Available: 0, Redundancy: "none", Imbalance: 1, SameLead: 70000},
		},
		Alarms: []alarm.Status{
			{Name: "low_reserve", Source: "unit", Title: "Fewer", State: alarm.Unacknowledged},
			{Name: "overload", Source: "pump1", Title: "Overload", State: alarm.Normal},
			{Name: "overload", Source: "pump2", Title: "Overload", State: alarm.Shelved, Behind: alarm.Acknowledged},
			{Name: "sump_low", Source: "unit", Title: "Sump", State: alarm.Returned},
			{Name: "link_lost", Source: "link.panel", Title: "Link", State: alarm.NotKnown, Behind: alarm.Returned},
		},
	}
	for i, position := range positions {
		a.Machines = append(a.Machines, machine.Status{Position: position, State: machine.Running, Quality: signal.Good,
			Lead: i%2 == 0, Available: i != 3, AvailableKnown: true, LifetimeRunSeconds: 3600 * 70000.26, LifetimeStarts: 123456,
			Windows: [3]machine.Window{{ShareOfRun: 0.604, ShareOfStarts: 0.5}, {ShareOfRun: 0.7, ShareOfStarts: 0.8}, {ShareOfRun: 0.9, ShareOfStarts: 1}}})
	}
	return a
}

// blind is the same unit when all its inputs are bad. The figures keep their
// numbers on purpose.
func blind() *rules.Assessment {
	a := everything()
	a.Quality, a.Reserve.Known, a.Reserve.Quality = signal.Bad, false, signal.Bad
	for i := range a.Readings {
		a.Readings[i].Reading.Quality = signal.Bad
	}
	a.GasPressure.Quality, a.Level.Quality, a.OilVolume.Quality = signal.Bad, signal.Bad, signal.Bad
	for i := range a.Pairs {
		a.Pairs[i].Redundancy, a.Pairs[i].Imbalance = "unknown", signal.Unknown()
	}
	for i := range a.Machines {
		m := &a.Machines[i]
		m.State, m.Quality, m.AvailableKnown = machine.StateUnknown, signal.Bad, false
		for w := range m.Windows {
			m.Windows[w].ShareOfRun, m.Windows[w].ShareOfStarts = signal.Unknown(), signal.Unknown()
		}
	}
	for i := range a.Alarms {
		a.Alarms[i].State, a.Alarms[i].Behind = alarm.NotKnown, alarm.Normal
	}
	return a
}

func mapOf(t testing.TB, a *rules.Assessment) *Map {
	t.Helper()
	m, err := NewMap(a, 7)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// reads is every row of both spaces by name, as a client would put it
// together: a number, or "?" for the pattern of the unknown.
func reads(t testing.TB, v *view) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, s := range []*space{&v.m.words, &v.m.bits} {
		for i := range s.rows {
			r := &s.rows[i]
			high, ok := s.word(v, r.at)
			name, text := r.name, strconv.Itoa(int(int16(high)))
			switch r.size {
			case aBit:
				name, text = "bit "+name, strconv.Itoa(int(high))
			case one:
				if high == Unknown16 {
					text = "?"
				}
			case two:
				low, there := s.word(v, r.at+1)
				ok = ok && there
				n := uint32(high)<<16 | uint32(low)
				if text = strconv.Itoa(int(int32(n))); n == Unknown32 {
					text = "?"
				}
			}
			if _, twice := out[name]; twice || !ok {
				t.Fatalf("%s stands twice, or not at all", name)
			}
			out[name] = text
		}
	}
	return out
}

func holds(t *testing.T, got map[string]string, want map[string]string) {
	t.Helper()
	for name, text := range want {
		if got[name] != text {
			t.Errorf("%s reads %q, want %q", name, got[name], text)
		}
	}
}

func TestWhatIsKnown(t *testing.T) {
	a := everything()
	m := mapOf(t, a)
	got := reads(t, &view{a: a, fresh: true, age: 1.4, m: m})
	holds(t, got, map[string]string{
		"map_version": "1", "map_signature": strconv.Itoa(int(m.Signature)), "heartbeat": "5", "data_age": "1", "quality": "3",
		"alarms_raised": "2", "alarms_unacknowledged": "3", "alarms_unknown": "1",
		"reserve_known": "1", "reserve_at_least": "9", "reserve_expected": "156", "reserve_full_charge": "168", "reserve_required": "9",
		"reserve_quality": "2", "hold_time": "100000", "time_to_full": "300", "time_to_full_one": "600",
		"gauge_pressure": "8517", "gauge_pressure_quality": "3", "gas_pressure": "9530", "oil_level": "1155", "oil_volume": "1835",
		"pumps_redundancy": "2", "pumps_imbalance": "-205", "pumps_same_lead": "1",
		"compressors_redundancy": "0", "compressors_imbalance": "1000", "compressors_same_lead": "32767", // the end of the range
		"pump1_state": "2", "pump1_available": "1", "pump1_lead": "1", "pump2_lead": "2", "compressor2_available": "2",
		"pump1_run_hours": "700003", "pump1_starts": "123456", "pump1_run_share_24h": "604", "pump1_start_share_30d": "1000",
		"unit.low_reserve": "2", "pump1.overload": "1", "pump2.overload": "6", "unit.sump_low": "4", "link.panel.link_lost": "?",
		"bit data_fresh": "1", "bit data_stale": "0", "bit reserve_enough": "1", "bit reserve_short": "0",
		"bit mains_present": "1", "bit mains_lost": "0", "bit clock_trusted": "1", "bit pump1_running": "1", "bit pump1_stopped": "0",
		"bit compressor2_available": "0", "bit compressor2_not_available": "1",
		"bit unit.low_reserve.raised": "1", "bit unit.low_reserve.not_raised": "0", "bit unit.low_reserve.unacknowledged": "1",
		"bit pump1.overload.raised": "0", "bit pump1.overload.not_raised": "1", "bit pump1.overload.not_unacknowledged": "1",
		"bit pump2.overload.raised": "1", "bit unit.sump_low.not_raised": "1", "bit unit.sump_low.unacknowledged": "1",
		"bit link.panel.link_lost.raised": "0", "bit link.panel.link_lost.not_raised": "0", "bit link.panel.link_lost.unacknowledged": "1",
	})
	for name, text := range got {
		if text == "?" && name != "link.panel.link_lost" {
			t.Errorf("%s reads unknown of a unit of which it is known", name)
		}
	}
}

// What is unknown, too old or not there yet never reads as a number, nor as one
// side of what is true or false.
func TestWhatIsNotKnown(t *testing.T) {
	a := everything()
	m := mapOf(t, a)
	told := map[string]string{"map_version": "1", "map_signature": strconv.Itoa(int(m.Signature)), "reserve_known": "2",
		"bit reserve_known": "0", "bit reserve_not_known": "1"}
	for _, c := range []struct {
		name string
		v    view
		told map[string]string
	}{
		{"nothing judged yet", view{age: signal.Unknown()}, map[string]string{"heartbeat": "?", "data_age": "?", "bit data_fresh": "0", "bit data_stale": "1"}},
		{"too old", view{a: a, age: 99999}, map[string]string{"heartbeat": "5", "data_age": "32767", "bit data_fresh": "0", "bit data_stale": "1"}},
		{"blind", view{a: blind(), fresh: true, age: 1}, map[string]string{"heartbeat": "5", "data_age": "1", "bit data_fresh": "1", "bit data_stale": "0",
			"quality": "1", "reserve_quality": "1", "gauge_pressure_quality": "1", "gas_pressure_quality": "1", "oil_level_quality": "1", "oil_volume_quality": "1",
			"pump1_quality": "1", "alarms_raised": "0", "alarms_unknown": "5", "reserve_required": "9", "bit clock_trusted": "1"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.v.m = m
			got := reads(t, &c.v)
			holds(t, got, told)
			holds(t, got, c.told)
			if c.v.fresh {
				for _, name := range []string{"reserve_at_least", "reserve_expected", "reserve_full_charge", "hold_time", "time_to_full", "time_to_full_one",
					"gauge_pressure", "gas_pressure", "oil_level", "oil_volume", "pumps_redundancy", "compressors_imbalance",
					"pump1_state", "pump1_available", "pump1_run_share_24h", "unit.low_reserve"} {
					holds(t, got, map[string]string{name: "?"})
				}
				for _, name := range []string{"reserve_enough", "reserve_short", "mains_present", "mains_lost", "pump1_running", "pump1_stopped",
					"pump1_available", "pump1_not_available", "unit.low_reserve.raised", "unit.low_reserve.not_raised"} {
					holds(t, got, map[string]string{"bit " + name: "0"})
				}
				return
			}
			for name, text := range got {
				_, isTold := c.told[name]
				_, always := told[name]
				if want := map[bool]string{true: "0", false: "?"}[strings.HasPrefix(name, "bit ")]; !isTold && !always && text != want {
					t.Errorf("%s reads %s", name, text)
				}
			}
		})
	}
}

// The smallest number of a register is only ever the unknown.
func TestRangeEnds(t *testing.T) {
	for _, c := range []struct {
		x       signal.Number
		scale   float64
		in, two float64
	}{
		{32767.4, 1, 32767, 32767}, {32768, 1, 32767, 32768}, {-32768, 1, -32767, -32768}, {-40000, 1, -32767, -40000},
		{3e9, 1, 32767, 2147483647}, {-3e9, 1, -32767, -2147483647}, {0.04, 10, 0, 0}, {0.05, 10, 1, 1}, {signal.Unknown(), 1, -32768, -2147483648},
	} {
		r := row{scale: c.scale}
		if in, two := r.whole(c.x, 32767, -32768), r.whole(c.x, 2147483647, -2147483648); in != c.in || two != c.two {
			t.Errorf("%v × %v: %v and %v, want %v and %v", c.x, c.scale, in, two, c.in, c.two)
		}
	}
}

// An alarm whose place another one has taken is unknown, not that other one.
func TestAlarmInAnotherPlace(t *testing.T) {
	a := everything()
	m := mapOf(t, a)
	all := a.Alarms
	for _, shift := range []int{1, 3} { // another source in the first place, and another alarm of the same source
		a.Alarms = all[shift:]
		got := reads(t, &view{a: a, fresh: true, m: m})
		holds(t, got, map[string]string{"unit.low_reserve": "?", "pump1.overload": "?", "link.panel.link_lost": "?", "bit unit.low_reserve.raised": "0", "bit unit.low_reserve.not_raised": "0"})
	}
}

// The signature tells one set of alarms from another, and is itself no unknown.
func TestSignature(t *testing.T) {
	one, same := mapOf(t, everything()), mapOf(t, blind())
	a := everything()
	a.Alarms[1], a.Alarms[2] = a.Alarms[2], a.Alarms[1]
	if other := mapOf(t, a); one.Signature != same.Signature || one.Signature == other.Signature || one.Signature&0x8000 != 0 {
		t.Errorf("signatures %d, %d, %d", one.Signature, same.Signature, other.Signature)
	}
}

func TestTooManyAlarms(t *testing.T) {
	a := everything()
	a.Alarms = make([]alarm.Status, mostAlarms+1)
	if _, err := NewMap(a, 1); err == nil {
		t.Error("blocks that meet are no error")
	}
	if _, err := layOut([]row{{at: 3, size: two, name: "a"}, {at: 4, size: one, name: "b"}}); err == nil {
		t.Error("rows that overlap are no error")
	}
}

// What is printed is what is served: every address once, no other.
func TestPrintedIsServed(t *testing.T) {
	m := mapOf(t, everything())
	var text, table bytes.Buffer
	w := csv.NewWriter(&table)
	if err := m.WriteCSV(w); err != nil {
		t.Fatal(err)
	}
	w.Flush()
	if err := m.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&table).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	printed := map[string]bool{}
	for _, row := range rows {
		at, size := number(t, row[3]), 1
		if row[2] == "register" {
			size = number(t, row[5])
		}
		if number(t, row[4]) != at+1 || len(row) != len(CSVHeader) || row[10] == "" || !strings.Contains(text.String(), " "+row[6]+" ") {
			t.Errorf("%q", row)
		}
		for n := range size {
			printed[row[2]+strconv.Itoa(at+n)] = true
		}
	}
	v := &view{a: everything(), fresh: true, m: m}
	for address := range 1 << 16 {
		if _, ok := m.words.word(v, uint16(address)); ok != printed["register"+strconv.Itoa(address)] {
			t.Errorf("register %d: served %v", address, ok)
		}
		if _, ok := m.bits.word(v, uint16(address)); ok != printed["bit"+strconv.Itoa(address)] {
			t.Errorf("bit %d: served %v", address, ok)
		}
	}
}

func number(t *testing.T, s string) int {
	t.Helper()
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func BenchmarkRead125Registers(b *testing.B) {
	a := everything()
	for i := range 200 {
		a.Alarms = append(a.Alarms, alarm.Status{Name: strconv.Itoa(i), Source: "unit", State: alarm.Normal})
	}
	v := &view{a: a, fresh: true, m: mapOf(b, a)}
	request := []byte{3, 0x03, 0xE8, 0, 125}
	var out [mostFrame]byte
	for b.Loop() {
		if _, code := answer(out[:0], request, func() *view { return v }); code != 0 {
			b.Fatal(code)
		}
	}
}
