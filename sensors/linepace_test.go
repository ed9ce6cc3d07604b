package sensors

import (
	"fmt"
	"testing"
	"time"

	"strokebank/sensors/register"
)

// pacer answers at the speed of a real line: after the characters of the
// request and the gap, one character after the other. It notes how much later
// than that it was, which is the device's turnaround and not the owner's time.
type pacer struct {
	line Line
	late map[int]time.Duration // by number of the request
}

func (p *pacer) answer(l *rawLine, h heard) {
	answer := h.answer(uint16(h.number))
	begin := h.at.Add(p.line.chars(askLength) + p.line.gap())
	for i := range answer {
		time.Sleep(time.Until(begin.Add(p.line.chars(i + 1))))
		if i == len(answer)-1 {
			l.mu.Lock()
			p.late[h.number] = time.Since(begin.Add(p.line.chars(len(answer))))
			l.mu.Unlock()
		}
		l.say(answer[i : i+1])
	}
}

// A scan of three units at 19200 baud takes no longer than the standard's
// characters and gaps and a tenth (leastTime, MODBUS over Serial Line V1.02),
// and never less. A busy machine delays everything, so the best of many scans
// counts; a wait too many would be in each of them.
func TestScanTakesTheLeastTimeOfTheLine(t *testing.T) {
	p := &pacer{late: make(map[int]time.Duration)}
	raw, link := onTerminal(t, p.answer)
	link.Line.Baud, link.Timeout, link.Period = 19200, 500*time.Millisecond, time.Second
	link.Gap = 20
	p.line = link.Line
	var points []Point
	var least time.Duration
	for device := range uint8(3) {
		points = append(points, onLine(fmt.Sprint(device, "one"), device+1, register.InputRegisters, 7, 1))
		for k := range uint16(5) {
			points = append(points, onLine(fmt.Sprint(device, k), device+1, register.HoldingRegisters, 4*k, 4))
		}
		least += leastTime(link.Line, 1) + leastTime(link.Line, 20)
	}
	o := settled(t, link, points...)
	best := time.Hour
	for scan := 0; scan < 40 && best > least*11/10; scan++ {
		o.scan(t.Context(), time.Now())
		if took, ok := raw.took(p, scan-1, 6); ok {
			if took < least {
				t.Fatalf("a scan took %v, less than the least time %v: a gap is too short", took, least)
			}
			best = min(best, took)
		}
	}
	t.Logf("best scan %v, least time %v, %+.1f %%", best, least, 100*(float64(best)/float64(least)-1))
	if best > least*11/10 {
		t.Errorf("the best scan took %v, more than a tenth over the least time %v", best, least)
	}
}

// took is the time from the first request of a scan to that of the next one,
// without the device's own delay; ok is false for a scan that is not over.
func (l *rawLine) took(p *pacer, scan, reads int) (time.Duration, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	from, to := scan*reads, (scan+1)*reads
	if scan < 0 || to >= len(l.calls) {
		return 0, false
	}
	took := l.calls[to].at.Sub(l.calls[from].at)
	for n := from + 1; n <= to; n++ {
		took -= p.late[n]
	}
	return took, true
}
