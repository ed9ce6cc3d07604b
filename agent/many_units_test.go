package main

import (
	"context"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"strokebank/agent/internal/simulator"
	"strokebank/configs"
)

// unitsALine is how many units of a fleet share one line.
const unitsALine = 5

// manyUnits is one agent as a process over simulated units, with lines that
// can fail to them and to the broker.
type manyUnits struct {
	tb     testing.TB
	plants []*simulator.Plant
	lines  []*line // each to unitsALine units
	broker *line
	hears  *listener // straight at the broker
	config string
	store  string
	http   int
	agent  *process
}

// startMany starts an agent over some simulated units of AU-7's build, each
// with 51 points.
func startMany(tb testing.TB, program string, units int) *manyUnits {
	tb.Helper()
	f := &manyUnits{tb: tb, http: freePort(tb), store: filepath.Join(tb.TempDir(), "history")}
	for first := 1; first <= units; first += unitsALine {
		f.serve(first, min(unitsALine, units-first+1))
	}
	port := broker(tb)
	f.broker = newLine(tb, port)
	f.hears = listenForIDs(tb, port)
	f.config = filepath.Join(tb.TempDir(), "many.yaml")
	if err := os.WriteFile(f.config, []byte(f.configuration(units)), 0o600); err != nil {
		tb.Fatal(err)
	}
	f.agent = start(tb, program, "run", f.config)
	listening(tb, f.http)
	return f
}

// serve puts units with the devices from first on behind one line.
func (f *manyUnits) serve(first, count int) {
	f.tb.Helper()
	var plants []*simulator.Plant
	for device := first; device < first+count; device++ {
		build := simulator.QuillenReach()
		build.Unit, build.Device = fmt.Sprintf("AU-%d", device), uint8(device)
		p, err := simulator.New(build, uint64(device))
		if err != nil {
			f.tb.Fatal(err)
		}
		plants = append(plants, p)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		f.tb.Fatal(err)
	}
	server, err := simulator.NewServer(listener, 1, plants...)
	if err != nil {
		f.tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- server.Run(ctx) }()
	f.tb.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			f.tb.Error(err)
		}
		if server.Refused() > 0 {
			f.tb.Errorf("%d requests were not for reading", server.Refused())
		}
	})
	f.plants = append(f.plants, plants...)
	f.lines = append(f.lines, newLine(f.tb, listener.Addr().(*net.TCPAddr).Port))
}

// configuration is the example of AU-7, once for every unit.
func (f *manyUnits) configuration(units int) string {
	f.tb.Helper()
	text, err := configs.Example(demoExample)
	if err != nil {
		f.tb.Fatal(err)
	}
	_, rest, found := strings.Cut(string(text), "  AU-7:\n")
	unit, _, ends := strings.Cut(rest, "\nbroker:")
	if !found || !ends {
		f.tb.Fatal("the example is not built as it was")
	}
	var out strings.Builder
	fmt.Fprintf(&out, "site: quillen-reach\nagent: gateway-many\nscan: 1 s\nhistory: {dir: %q}\nhttp: {listen: %q}\nlog: {level: warn}\n", f.store, at(f.http))
	fmt.Fprintf(&out, "broker: {address: \"tcp://%s\", live_period: 10 s}\nlinks:\n", at(f.broker.port()))
	for i, l := range f.lines {
		fmt.Fprintf(&out, "  line%d: {address: \"tcp://%s\", timeout: 100 ms, gap: 8}\n", i+1, at(l.port()))
	}
	out.WriteString("units:\n")
	for i := range units {
		words := strings.NewReplacer("link: panel", fmt.Sprintf("link: line%d", i/unitsALine+1), "device: 7", fmt.Sprintf("device: %d", i+1))
		fmt.Fprintf(&out, "  AU-%d:\n%s\n", i+1, words.Replace(unit))
	}
	return out.String()
}

// plain is the program as it is handed out, without the race detector.
func plain(tb testing.TB) string {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), "strokebank")
	build := exec.Command("go", "build", "-tags", "nethttpomithttp2", "-trimpath", "-ldflags", "-s -w", "-o", path, ".")
	if out, err := build.CombinedOutput(); err != nil {
		tb.Fatalf("go build: %v\n%s", err, out)
	}
	return path
}

// each is the value of a series for every unit, or for every link.
func (f *manyUnits) each(name, label string) map[string]float64 {
	f.tb.Helper()
	all := map[string]float64{}
	for text := range strings.Lines(get(f.tb, "http://"+at(f.http)+"/metrics")) {
		labels, value, found := strings.Cut(strings.TrimPrefix(text, name+"{"), "} ")
		_, rest, there := strings.Cut(labels, label+`="`)
		if !strings.HasPrefix(text, name+"{") || !found || !there {
			continue
		}
		which, _, _ := strings.Cut(rest, `"`)
		v, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
		if err != nil {
			f.tb.Fatal(err)
		}
		all[which] += v
	}
	return all
}

// known waits until the reserve of every unit is known.
func (f *manyUnits) known() {
	f.tb.Helper()
	eventually(f.tb, "the reserve of every unit is known", func() bool {
		known := 0.0
		for _, v := range f.each("strokebank_reserve_known", "unit") {
			known += v
		}
		return int(known) == len(f.plants)
	})
}

// phases are when within its second each scan of a unit was put together,
// while the test looks at n scans of all units: a scan that waits for
// something comes later within its second.
func (f *manyUnits) phases(t *testing.T, n int) map[string][]float64 {
	t.Helper()
	seen, err := readAlong(t, f.http, n*len(f.plants))
	if err != nil {
		t.Fatal(err)
	}
	all := map[string][]float64{}
	for _, s := range seen {
		all[s.Unit] = append(all[s.Unit], float64(s.Time.Nanosecond())/1e9)
	}
	return all
}

// later is how far b's median lies behind a's, s, around the second.
func later(a, b []float64) float64 {
	d := median(b) - median(a)
	return d - math.Round(d)
}

// median is that of moments within a second, which may lie on both sides of
// its end.
func median(moments []float64) float64 {
	turned := slices.Clone(moments)
	for i := range turned {
		turned[i] = moments[0] + math.Remainder(turned[i]-moments[0], 1)
	}
	slices.Sort(turned)
	return turned[len(turned)/2]
}
