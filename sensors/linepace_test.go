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
// and never less. A busy machine delays everything, so of each
// read the best of many scans counts; a wait too many would be in each of them.
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
		best = raw.best(t, p, 6)
	}
	t.Logf("best scan %v, least time %v, %+.1f %%", best, least, 100*(float64(best)/float64(least)-1))
	if best > least*11/10 {
		t.Errorf("the best scan took %v, more than a tenth over the least time %v", best, least)
	}
}

// best is the time of a scan of so many reads, of each the shortest so far: from
// a request to the next one, without the device's own delay.
func (l *rawLine) best(t *testing.T, p *pacer, reads int) (all time.Duration) {
	t.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	of := map[string]time.Duration{}
	for n := 1; n < len(l.calls); n++ {
		h := l.calls[n-1]
		took, key := l.calls[n].at.Sub(h.at)-p.late[n], fmt.Sprint(h.unit, h.code, h.addr)
		if least := leastTime(p.line, int(h.count)); took < least {
			t.Fatalf("a read took %v, less than the least time %v: a gap is too short", took, least)
		}
		if was, there := of[key]; !there || took < was {
			of[key] = took
		}
	}
	if len(of) < reads {
		return time.Hour
	}
	for _, took := range of {
		all += took
	}
	return all
}
