package main

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

var (
	manyCount   = flag.Int("many", 10, "how many units TestManyUnits has")
	manyWatched = flag.Duration("many-for", 5*time.Second, "how long TestManyUnits measures each process")
	handedOut   = flag.Bool("handed-out", false, "TestManyUnits and TestSoak take the program as it is handed out, without the race detector")
)

// leastReads of a unit in a scan, counted by hand from its map, as the unit
// refuses a read over a register that it does not have: coils 0 to 3; discrete
// inputs 0 to 3 and 16 to 23; input registers 0 to 3, 6 to 13 and 16 to 17;
// holding registers 100 to 115 and 200 to 201.
const leastReads = 8

func trialProgram(t *testing.T) string {
	t.Helper()
	if *handedOut {
		return plain(t)
	}
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// One agent over many units on shared lines: it asks as seldom as can be, and
// a line that hangs, or is slow, keeps no unit of another line waiting.
// What it takes is measured and told, not judged.
func TestManyUnits(t *testing.T) {
	t.Parallel() // it waits most of the time
	if *manyCount <= unitsALine {
		t.Fatal("too few units for two lines")
	}
	path := trialProgram(t)
	f := startMany(t, path, *manyCount)
	f.known()
	usual := f.phases(t, 8)
	f.takes(t, usual["AU-1"])

	for _, trouble := range []struct {
		name  string
		pause time.Duration
	}{{"hangs", time.Minute}, {"is slow", 30 * time.Millisecond}} {
		name := trouble.name
		f.lines[0].slow(trouble.pause)
		if name == "hangs" {
			eventually(t, "the units of the line are unknown", func() bool {
				return f.each("strokebank_reserve_known", "unit")["AU-1"] == 0
			})
		}
		// A busy machine is late at times; who is held up is so each time.
		worst := f.heldUp(t, usual)
		for try := 1; worst > 0.08 && try < 8; try++ {
			worst = min(worst, f.heldUp(t, usual))
		}
		t.Logf("while a line %s, scans of units on the others: median at most %.1f ms later", name, 1e3*worst)
		// A scan of the slow line takes two seconds, one answer that does not
		// come 100 ms.
		if worst > 0.08 {
			t.Errorf("a line that %s holds up units on others by %.0f ms", name, 1e3*worst)
		}
		f.lines[0].cut(true) // ends what hangs in it
		f.lines[0].slow(0)
		f.lines[0].cut(false)
		f.known()
	}
	if code := f.agent.stop(); code != exitOK {
		t.Errorf("stopped with exit code %d", code)
	}
}

// heldUp is how much later than usual the scans of a unit on another line than
// the first come at most, s, by the median of eight.
func (f *manyUnits) heldUp(t *testing.T, usual map[string][]float64) (worst float64) {
	t.Helper()
	for unit, now := range f.phases(t, 8) {
		if number, _ := strconv.Atoi(strings.TrimPrefix(unit, "AU-")); number > unitsALine {
			worst = max(worst, later(usual[unit], now))
		}
	}
	return worst
}

// takes holds the agent against a scan without the rest and a bare loop, and
// against an agent of one unit.
func (f *manyUnits) takes(t *testing.T, moments []float64) {
	t.Helper()
	apart := median(moments) + 0.5 - float64(time.Now().Nanosecond())/1e9
	pause(t, time.Duration((apart-math.Floor(apart))*1e9)) // no scan is under way when counted
	scans, asked := f.each("strokebank_scans_total", "unit"), f.each("strokebank_link_transactions_total", "link")
	agent := share(t, f.agent)
	after, askedAfter := f.each("strokebank_scans_total", "unit"), f.each("strokebank_link_transactions_total", "link")
	done, requests := total(after)-total(scans), total(askedAfter)-total(asked)
	// A busy machine may shift the count by a scan of every unit.
	if requests > leastReads*(done+float64(len(f.plants))) {
		t.Errorf("%.0f requests in %.0f scans", requests, done)
	}
	many := resident(t, f.agent.cmd.Process.Pid)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	shares := map[string]float64{}
	for _, way := range []string{"bare", "scan"} {
		p := startIn(t, []string{loopOf + "=" + way}, self, f.config)
		pause(t, 2*time.Second)
		shares[way] = share(t, p)
		if code := p.stop(); code != 0 {
			t.Fatalf("the %s loop ended with %d", way, code)
		}
	}
	one := startMany(t, f.agent.cmd.Path, 1)
	one.known()
	pause(t, *manyWatched)
	few := resident(t, one.agent.cmd.Process.Pid)
	one.agent.stop()
	t.Logf("%d units of 51 points at one scan a second: agent %.2f %% of a core, its scan alone %.2f %%, a bare loop over the same registers %.2f %%",
		len(f.plants), 100*agent, 100*shares["scan"], 100*shares["bare"])
	t.Logf("requests of a unit's scan: %.2f, least %d", requests/done, leastReads)
	t.Logf("resident: one unit %.1f MiB, %d units %.1f MiB, %.2f MiB for each further unit", mebi(few), len(f.plants), mebi(many), mebi(many-few)/float64(len(f.plants)-1))
	t.Logf("scans missed: %.0f of %.0f", total(f.each("strokebank_scans_missed_total", "unit"))+total(f.each("strokebank_link_scans_missed_total", "link")), total(after))
}

func mebi(bytes int) float64 { return float64(bytes) / (1 << 20) }

func total(of map[string]float64) float64 {
	sum := 0.0
	for _, v := range of {
		sum += v
	}
	return sum
}

// share is the part of a core that a process takes while it is watched.
func share(t *testing.T, p *process) float64 {
	t.Helper()
	began, before := time.Now(), processor(t, p)
	pause(t, *manyWatched)
	return (processor(t, p) - before).Seconds() / time.Since(began).Seconds()
}

// processor is the time that a process has had of the processor.
func processor(t *testing.T, p *process) time.Duration {
	t.Helper()
	// proc(5): utime and stime are the 14th and 15th field, in hundredths of a
	// second; the second, a name in brackets, may hold blanks.
	text := readText(t, fmt.Sprintf("/proc/%d/stat", p.cmd.Process.Pid))
	fields := strings.Fields(text[strings.LastIndex(text, ")")+1:])
	ticks := 0.0
	for _, field := range fields[11:13] {
		v, err := strconv.ParseFloat(field, 64)
		if err != nil {
			t.Fatal(err)
		}
		ticks += v
	}
	return time.Duration(math.Round(ticks)) * 10 * time.Millisecond
}
