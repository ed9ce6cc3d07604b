package machine

import (
	"testing"
	"time"
)

func BenchmarkStep(b *testing.B) {
	r := newRig(b)
	for i := 0; i < 10; i++ {
		r.step(time.Second)
	}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		n++
		if n%60 == 0 { // one start and one stop a minute
			r.run[0] = yes(r.run[0] == off)
		}
		r.step(time.Second)
	}
}
