package history

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

var kills = flag.Int("kills", 20, "times to kill the writing process")

// victimDir names the store for the process that is going to be killed.
const victimDir = "HISTORY_VICTIM_DIR"

func TestMain(m *testing.M) {
	flag.Parse()
	if dir := os.Getenv(victimDir); dir != "" {
		fmt.Fprintln(os.Stderr, victim(dir))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// victim writes for ever, and tells each number once it may be relied on.
func victim(dir string) error {
	ctx := context.Background()
	s, err := Open(ctx, Options{Dir: dir, Agent: "gw1", Reserve: 64 << 10})
	if err != nil {
		return err
	}
	for n := 0; ; n++ {
		events := []rules.Event{alarmEvent("low_reserve", []alarm.State{alarm.Unacknowledged, alarm.Normal}[n%2])}
		for i := range n % 3 {
			events = append(events, machineEvent(i))
		}
		entries, err := s.Record(ctx, "AU-7", events, nil, fmt.Append(nil, n))
		if err != nil {
			return err
		}
		for _, e := range entries {
			fmt.Println(e.ID)
		}
		s.SaveCursor("uplink", s.Newest())
		if err := s.Beat("AU-7", fmt.Append(nil, n)); err != nil {
			return err
		}
	}
}

// killed lets a victim work for a while, kills it, and returns the ids that
// it told.
func killed(t *testing.T, dir string, after time.Duration) (told []string) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), victimDir+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if told = append(told, lines.Text()); len(told) == 1 {
			time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		}
	}
	if err := cmd.Wait(); err == nil || !strings.Contains(err.Error(), "killed") {
		t.Fatalf("the victim ended with %v", err)
	}
	return told
}

func TestKilledProcessLosesAndDoublesNothing(t *testing.T) {
	dir := t.TempDir()
	var told []string
	for range *kills {
		told = append(told, killed(t, dir, time.Duration(rand.IntN(40_000))*time.Microsecond)...)
		s := openStore(t, Options{Dir: dir})
		present := map[string]int{}
		entries := entriesAfter(t, s, 0)
		for i, e := range entries {
			present[e.ID]++
			if e.Seq != uint64(i+1) {
				t.Fatalf("place %d holds number %d", i+1, e.Seq)
			}
		}
		for _, id := range told {
			if present[id] != 1 {
				t.Fatalf("%s was acknowledged and stands %d times", id, present[id])
			}
		}
		states, err := s.Alarms(t.Context(), "AU-7")
		if err != nil || len(states) != 1 {
			t.Fatalf("alarm states %+v, %v", states, err)
		}
		verifyAndClose(t, s)
	}
	t.Logf("%d events acknowledged under %d kills", len(told), *kills)
}
