package recording

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"strokebank/rules"
)

// A queue that is full never holds up who records; what is missing is counted
// where it is missing.
func TestFullQueueIsAGap(t *testing.T) {
	dir := t.TempDir()
	r, err := New(Options{Dir: dir, Most: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	tape := r.Tape(header, nil, nil)
	const lost = 37
	for i := range mostQueued + lost { // nobody empties it
		tape.Step(nil, scanOf(i), nil)
	}
	tape.Recorded(given(1))
	e := <-r.queue
	r.take(&e)
	tape.Step([]rules.Command{noted(1)}, scanOf(mostQueued+lost), nil)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := r.Run(ctx); err != nil {
		t.Fatal(err)
	}
	files, err := Files(dir)
	if err != nil || len(files) != 1 {
		t.Fatal(files, err)
	}
	_, list, err := items(t, open(t, files[0].Path))
	if err != io.EOF || len(list) != mostQueued+3 {
		t.Fatalf("%d items, %v", len(list), err)
	}
	if gap := list[mostQueued]; gap.Kind != Gap || gap.Missed != (Missed{Scans: lost, Numbers: 3}) {
		t.Errorf("%+v", gap.Missed)
	}
	if last := list[len(list)-1]; !reflect.DeepEqual(last.Scan, scanOf(mostQueued+lost)) {
		t.Errorf("after the gap: %+v", last.Scan)
	}
}

// A disk that does not take the recording is said once, tried again, and the
// scans meanwhile are a gap.
func TestDiskAwayAndBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "recordings")
		var log strings.Builder
		r, err := New(Options{Dir: dir, Most: 1 << 30, Log: slog.New(slog.NewTextHandler(&log, nil))})
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(dir); err != nil {
			t.Fatal(err)
		}
		tape := r.Tape(header, []byte("{}"), nil)
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- r.Run(ctx) }()
		for i := range 100 {
			if i == 20 {
				if err := os.Mkdir(dir, 0o700); err != nil {
					t.Fatal(err)
				}
			}
			feedScan(tape, i)
			time.Sleep(time.Second)
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		files, err := Files(dir)
		if err != nil || len(files) != 1 {
			t.Fatal(files, err)
		}
		rd, list, err := items(t, open(t, files[0].Path))
		if err != io.EOF || list[0].Kind != Gap || list[0].Missed.Scans < 20 || list[0].Missed.Scans > 60 {
			t.Fatalf("%v, first %+v", err, list[0].Missed)
		}
		if state := fmt.Sprintf(`{"state":%d}`, list[0].Missed.Scans); string(rd.State) != state {
			t.Errorf("it begins with %s, want %s", rd.State, state)
		}
		if n := strings.Count(log.String(), "recording stopped"); n != 1 || strings.Count(log.String(), "recording goes on") != 1 {
			t.Errorf("the log says\n%s", log.String())
		}
	})
}

func TestNotARecording(t *testing.T) {
	for _, c := range []struct {
		name, text, want string
	}{
		{"text", "time,pressure\n", "not a gzip stream"},
		{"empty", "", "torn"},
		{"another archive", gzipped(t, "some other text, long enough"), "no recording of this program"},
		{"a newer format", gzipped(t, magic+string(recordOf(recordHeader, `{"format":9,"unit":"AU-7","points":[{"id":"level"}]}`))), "format 9"},
		{"no points", gzipped(t, magic+string(recordOf(recordHeader, `{"format":1,"unit":"AU-7"}`))), "header is not whole"},
		{"no header", gzipped(t, magic+string(recordOf(recordEnd, ""))), "does not begin with its header"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := NewReader(strings.NewReader(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %s", err, c.want)
			}
		})
	}
}

// No more goes than must, the oldest first, and never what another unit has
// under way.
func TestShelfMakesRoom(t *testing.T) {
	dir := t.TempDir()
	for i, unit := range []string{"A", "B", "A", "A", "A"} {
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%08d-%s.recording", i+1, unit)), make([]byte, 1000), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := openShelf(dir, 3500)
	if err != nil {
		t.Fatal(err)
	}
	path, err := s.next("A")
	if err != nil || filepath.Base(path) != "00000006-A.recording" {
		t.Fatal(path, err)
	}
	files, err := Files(dir)
	if err != nil {
		t.Fatal(err)
	}
	var numbers []uint64
	for _, f := range files {
		numbers = append(numbers, f.Number)
	}
	if !slices.Equal(numbers, []uint64{2, 4, 5}) {
		t.Errorf("left are %v", numbers)
	}
}
