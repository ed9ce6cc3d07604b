package history

import (
	"bytes"
	"os"
	"slices"
	"testing"
	"time"
)

func beat(t testing.TB, s *Store, payload string) {
	t.Helper()
	if err := s.Beat("AU-7", []byte(payload)); err != nil {
		t.Fatal(err)
	}
}

func wantBeat(t testing.TB, s *Store, want string) {
	t.Helper()
	payload, at, err := s.LastBeat("AU-7")
	if err != nil || string(payload) != want || (want != "" && !at.Equal(epoch)) {
		t.Errorf("heartbeat %q at %v, %v; want %q", payload, at, err, want)
	}
}

func atEpoch() time.Time { return epoch }

func TestHeartbeatSurvivesTornWrites(t *testing.T) {
	change := func(at int) func([]byte) []byte {
		return func(b []byte) []byte { b[at] ^= 0x10; return b }
	}
	for _, tc := range []struct {
		name   string
		damage func([]byte) []byte // the third beat stands in the second slot
		want   string
	}{
		{"nothing", func(b []byte) []byte { return b }, "third"},
		{"newest torn at its checksum", change(slotFileSize - 1), "second"},
		{"newest torn in its payload", change(slotSize + slotHeader), "second"},
		{"newest torn in its counter", change(slotSize + 4), "second"},
		{"newest torn in its length", change(slotSize + 20), "second"},
		{"older torn", change(slotHeader), "third"},
		{"both torn", func(b []byte) []byte { return change(slotHeader)(change(slotFileSize - 1)(b)) }, ""},
		{"cut to one slot", func(b []byte) []byte { return b[:slotSize] }, "second"},
		{"cut inside the newest", func(b []byte) []byte { return b[:slotSize+700] }, "second"},
		{"cut to nothing", func([]byte) []byte { return nil }, ""},
		{"zeros", func(b []byte) []byte { clear(b); return b }, ""},
		{"too long", func(b []byte) []byte { return append(b, b...) }, "third"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := t.TempDir()
			s := openStore(t, Options{Dir: dir, Now: atEpoch})
			wantBeat(t, s, "")
			for _, payload := range []string{"first", "second", "third"} {
				beat(t, s, payload)
				wantBeat(t, s, payload)
			}
			path := s.beatPath("AU-7")
			verifyAndClose(t, s)
			raw, err := os.ReadFile(path)
			if err != nil || len(raw) != slotFileSize {
				t.Fatalf("%d bytes, %v", len(raw), err)
			}
			if err := os.WriteFile(path, tc.damage(raw), 0o600); err != nil {
				t.Fatal(err)
			}
			s = openStore(t, Options{Dir: dir, Now: atEpoch})
			wantBeat(t, s, tc.want)
			beat(t, s, "afterwards")
			wantBeat(t, s, "afterwards")
		})
	}
}

func TestHeartbeatIsWrittenInPlaceAndSynced(t *testing.T) {
	d := newDisk(t)
	s := openDisk(t, d)
	beat(t, s, "first")
	begin := len(d.steps)
	for range 4 {
		beat(t, s, "more")
	}
	var offsets []int64
	for i, step := range d.steps[begin:] {
		want := []stepKind{stepWrite, stepSync}[i%2]
		if step.kind != want || step.name != "beat-AU-7.bin" || len(step.data) > slotSize {
			t.Errorf("step %d: %+v", i, step)
		}
		if step.kind == stepWrite {
			offsets = append(offsets, step.offset)
		}
	}
	if !slices.Equal(offsets, []int64{0, slotSize, 0, slotSize}) {
		t.Errorf("offsets %v", offsets)
	}
}

func TestHeartbeatPayloads(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	largest := bytes.Repeat([]byte{0xa5}, MaxBeat)
	for _, unit := range []string{"AU-7", "../AU 7", "a/b"} {
		if err := s.Beat(unit, largest); err != nil {
			t.Fatal(err)
		}
		if got, _, err := s.LastBeat(unit); err != nil || !bytes.Equal(got, largest) {
			t.Errorf("%s: %d bytes, %v", unit, len(got), err)
		}
		if err := s.Beat(unit, append(largest, 0)); err == nil {
			t.Errorf("%s: a payload too long was taken", unit)
		}
	}
	if MaxBeat < 2000 {
		t.Errorf("largest payload %d", MaxBeat)
	}
}

func FuzzDecodeSlot(f *testing.F) {
	dir := f.TempDir()
	s := openStore(f, Options{Dir: dir, Now: atEpoch})
	beat(f, s, "a heartbeat")
	beat(f, s, "")
	raw, err := os.ReadFile(s.beatPath("AU-7"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(raw[:slotSize])
	f.Add(raw[slotSize:])
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, raw []byte) {
		v, ok := decodeSlot(raw)
		if !ok {
			return
		}
		if len(raw) != slotSize || len(v.payload) > slotPayload || !bytes.Equal(v.payload, raw[slotHeader:slotHeader+len(v.payload)]) {
			t.Errorf("accepted %d bytes as %+v", len(raw), v)
		}
	})
}
