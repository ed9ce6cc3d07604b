package history

import (
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"testing"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

var cuts = flag.Int("cuts", 100, "power cuts to emulate")

// work drives a store through everything that it writes, and tells the disk
// what was acknowledged and when.
func work(t *testing.T, s *Store, d *emulatedDisk, rounds int) {
	t.Helper()
	ctx := t.Context()
	// A small log, so that checkpoints fall into the work.
	if _, err := s.db.w.ExecContext(ctx, "PRAGMA wal_autocheckpoint = 12"); err != nil {
		t.Fatal(err)
	}
	states := []alarm.State{alarm.Unacknowledged, alarm.Acknowledged, alarm.Normal}
	for i := range rounds {
		beat := binary.LittleEndian.AppendUint64(nil, uint64(i+1))
		if err := s.Beat("AU-7", beat); err != nil {
			t.Fatal(err)
		}
		d.acknowledge("beat", uint64(i+1))
		events := []rules.Event{alarmEvent(fmt.Sprint("alarm ", i%5), states[i%3])}
		for n := range i % 4 {
			events = append(events, machineEvent(n))
		}
		entries, err := s.Record(ctx, "AU-7", events, nil, fmt.Appendf(nil, "state after round %d", i))
		if err != nil {
			t.Fatal(err)
		}
		d.acknowledge("event", entries[len(entries)-1].Seq)
		d.acknowledge("round", uint64(i))
		s.SaveCursor("uplink", s.Newest())
		if i%7 == 0 {
			if err := s.Trend(ctx, "AU-7", []rules.Trend{{Name: "pressure", Start: epoch, Seconds: 600, Count: 1}}); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// afterCut opens what a cut left and says what is wrong with it.
func afterCut(t *testing.T, d *emulatedDisk, cut int, luck *rand.Rand) error {
	t.Helper()
	dir := t.TempDir()
	d.cutInto(t, dir, cut, luck)
	s, err := Open(t.Context(), Options{Dir: dir, Agent: "gw1", Reserve: -1})
	if err != nil {
		return err
	}
	defer s.Close()
	if damage := s.Stats().Damage; damage != "" {
		return errors.New(damage)
	}
	entries, err := s.Entries(t.Context(), 0, 1<<20)
	if err != nil {
		return err
	}
	for i, e := range entries {
		if e.Seq != uint64(i+1) || !e.Durable {
			return fmt.Errorf("entry %d is numbered %d, durable %v", i+1, e.Seq, e.Durable)
		}
	}
	if told := d.acknowledged("event", cut); uint64(len(entries)) < told {
		return fmt.Errorf("%d events left, %d acknowledged", len(entries), told)
	}
	if err := beatAfterCut(s, d.acknowledged("beat", cut)); err != nil {
		return err
	}
	if err := stateAfterCut(t, s, d.acknowledged("round", cut)); err != nil {
		return err
	}
	return s.Verify(t.Context())
}

func beatAfterCut(s *Store, told uint64) error {
	payload, _, err := s.LastBeat("AU-7")
	if err != nil || told == 0 {
		return err
	}
	if len(payload) != 8 {
		return fmt.Errorf("heartbeat of %d bytes, %d acknowledged", len(payload), told)
	}
	if got := binary.LittleEndian.Uint64(payload); got < told || got > told+1 {
		return fmt.Errorf("heartbeat %d, %d acknowledged", got, told)
	}
	return nil
}

func stateAfterCut(t *testing.T, s *Store, told uint64) error {
	state, err := s.State(t.Context(), "AU-7")
	if err != nil || told == 0 {
		return err
	}
	for _, round := range []uint64{told, told + 1} {
		if string(state) == fmt.Sprintf("state after round %d", round) {
			return nil
		}
	}
	return fmt.Errorf("state is %q, round %d acknowledged", state, told)
}

func TestPowerCutsLoseNothingAcknowledged(t *testing.T) {
	d := newDisk(t)
	s, err := Open(t.Context(), d.options())
	if err != nil {
		t.Fatal(err)
	}
	work(t, s, d, 40)
	verifyAndClose(t, s)
	luck := rand.New(rand.NewPCG(1, 2))
	for n := range *cuts {
		cut := 1 + luck.IntN(len(d.steps))
		left := luck
		if n%2 == 0 {
			left = nil // nothing unsynced is left
		}
		if err := afterCut(t, d, cut, left); err != nil {
			t.Errorf("cut before step %d of %d: %v", cut, len(d.steps), err)
		}
	}
}

// Without this the test above could be blind.
func TestPowerCutsShowAMissingSync(t *testing.T) {
	for name, pragma := range map[string]string{"normal": "NORMAL", "off": "OFF"} {
		t.Run(name, func(t *testing.T) {
			d := newDisk(t)
			s, err := Open(t.Context(), d.options())
			if err != nil {
				t.Fatal(err)
			}
			if _, err := s.db.w.ExecContext(t.Context(), "PRAGMA synchronous = "+pragma); err != nil {
				t.Fatal(err)
			}
			work(t, s, d, 12)
			end := len(d.steps)
			verifyAndClose(t, s)
			lost := 0
			for cut := end; cut > end/2; cut -= 7 {
				if afterCut(t, d, cut, nil) != nil {
					lost++
				}
			}
			if lost == 0 {
				t.Error("no cut lost anything although nothing was synced")
			}
			t.Logf("%d cuts lost acknowledged events", lost)
		})
	}
}
