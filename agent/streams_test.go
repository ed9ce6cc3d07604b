package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// seenScan is one scan as a live stream tells of it.
type seenScan struct {
	Unit string    `json:"unit"`
	Scan uint64    `json:"scan"`
	Time time.Time `json:"time"`
}

// readAlong reads a live stream until it has had n assessments.
func readAlong(t *testing.T, port, n int) ([]seenScan, error) {
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+at(port)+"/api/v1/live", nil)
	if err != nil {
		return nil, err
	}
	way := &http.Transport{}
	defer way.CloseIdleConnections()
	answer, err := (&http.Client{Transport: way}).Do(r)
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	in := bufio.NewScanner(answer.Body)
	in.Buffer(nil, 1<<20)
	var all []seenScan
	for kind := ""; len(all) < n && in.Scan(); {
		if word, ok := strings.CutPrefix(in.Text(), "event: "); ok {
			kind = word
		}
		if data, ok := strings.CutPrefix(in.Text(), "data: "); ok && kind == "assessment" {
			var s seenScan
			if err := json.Unmarshal([]byte(data), &s); err != nil {
				return nil, err
			}
			all = append(all, s)
		}
	}
	return all, in.Err()
}

// jitters are how far each scan was from its time, s, counted from the first
// by the period; sorted.
func jitters(all []seenScan, period float64) []float64 {
	var out []float64
	for _, s := range all {
		out = append(out, s.Time.Sub(all[0].Time).Seconds()-float64(s.Scan-all[0].Scan)*period)
	}
	slices.Sort(out)
	middle := out[len(out)/2]
	for i := range out {
		out[i] = math.Abs(out[i] - middle)
	}
	slices.Sort(out)
	return out
}

// resident is the memory of a process, bytes.
func resident(t *testing.T, pid int) int {
	t.Helper()
	for line := range strings.SplitSeq(readText(t, fmt.Sprintf("/proc/%d/status", pid)), "\n") {
		if rest, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			kB, err := strconv.Atoi(strings.Fields(rest)[0])
			if err != nil {
				t.Fatal(err)
			}
			return kB << 10
		}
	}
	t.Fatal("no VmRSS")
	return 0
}

// Twenty open live streams, of which one takes nothing: the scans come as they
// do without, memory does not grow with them, and the one is dropped. The scan
// is 200 ms, five times as often as usual.
func TestTwentyLiveStreams(t *testing.T) {
	c := startChain(t)
	c.hears.await("five cycles", 0, c.cycles(5))
	const scans, period = 60, 0.2
	const counted = `strokebank_scans_total{site="quillen-reach",unit="AU-9"}`
	alone, err := readAlong(t, c.http, scans/2)
	if err != nil {
		t.Fatal(err)
	}
	before := resident(t, c.agent.cmd.Process.Pid)
	deaf, err := net.Dial("tcp", at(c.http))
	if err != nil {
		t.Fatal(err)
	}
	defer deaf.Close()
	_ = deaf.(*net.TCPConn).SetReadBuffer(4 << 10)
	fmt.Fprintf(deaf, "GET /api/v1/live HTTP/1.1\r\nHost: %s\r\n\r\n", at(c.http))
	began, first := time.Now(), metric(t, c.http, counted)
	var readers sync.WaitGroup
	seen, errs := make([][]seenScan, 19), make([]error, 19)
	for i := range seen {
		readers.Go(func() { seen[i], errs[i] = readAlong(t, c.http, scans) })
	}
	readers.Wait()
	rate := (metric(t, c.http, counted) - first) / time.Since(began).Seconds()
	most := resident(t, c.agent.cmd.Process.Pid)
	eventually(t, "the reader that takes nothing is dropped", func() bool {
		return strings.Contains(c.agent.log.String(), "live stream ended")
	})
	a, b := jitters(alone, period), jitters(seen[0], period)
	t.Logf("scan from its time, alone: median %.1f ms, at most %.1f ms; with 20 streams: median %.1f ms, 95 %% within %.1f ms, at most %.1f ms; %.2f scans a second of %.0f; resident %.1f MiB, before %.1f MiB",
		1e3*a[len(a)/2], 1e3*a[len(a)-1], 1e3*b[len(b)/2], 1e3*b[len(b)*95/100], 1e3*b[len(b)-1], rate, 1/period, float64(most)/(1<<20), float64(before)/(1<<20))
	// A scan that waited for a reader would be late by seconds; a busy machine
	// is late by some ms.
	if late := b[len(b)/2]; late > period/2 {
		t.Errorf("half of the scans are %.0f ms or more from their time", 1e3*late)
	}
	if rate < 0.7/period {
		t.Errorf("%.2f scans a second instead of %.0f", rate, 1/period)
	}
	for i := range seen {
		if errs[i] != nil || len(seen[i]) != scans {
			t.Errorf("reader %d had %d of %d assessments, %v", i, len(seen[i]), scans, errs[i])
		} else if missed := int(seen[i][scans-1].Scan-seen[i][0].Scan) - scans + 1; missed > scans {
			t.Errorf("reader %d was not told of %d scans", i, missed)
		}
	}
	if most > before+24<<20 {
		t.Errorf("resident %d bytes, before %d", most, before)
	}
}
