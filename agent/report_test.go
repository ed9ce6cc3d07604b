package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
)

// page has a report made in here, some minutes after the record ends.
func (l *life) page(flags ...string) string {
	l.tb.Helper()
	r := reporting{made: l.now().Add(10 * time.Minute), to: "-"}
	r.given.Confidence, r.given.Beta, r.given.Repair = 0.9, 0.1, 8
	for i := 0; i+1 < len(flags); i += 2 {
		*map[string]*string{"test": &r.test, "from": &r.span.fromText, "to": &r.span.toText}[flags[i]] = flags[i+1]
	}
	if err := r.check(); err != nil {
		l.tb.Fatal(err)
	}
	var out bytes.Buffer
	cfg, code := load(shell{nil, &out, &out}, l.archive.config)
	if code != exitOK {
		l.tb.Fatal(out.String())
	}
	units, err := someUnits(cfg, "")
	if err != nil {
		l.tb.Fatal(err)
	}
	if err := r.run(l.tb.Context(), shell{nil, &out, &out}, cfg, units); err != nil {
		l.tb.Fatal(err)
	}
	return out.String()
}

func TestScratch(t *testing.T) {
	for name, b := range map[string]simulator.Build{"quillen-reach": simulator.QuillenReach()} {
		l := hardTimes(t, name, b)
		os.WriteFile("/tmp/rep/"+name+".html", []byte(l.page()), 0o644)
		os.WriteFile("/tmp/rep/"+name+"-test.html", []byte(l.page("test", "last")), 0o644)
		_ = filepath.Join
	}
}
