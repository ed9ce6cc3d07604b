package recording

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

var begin = time.Date(2026, 3, 1, 6, 30, 0, 123456789, time.UTC)

var points = []signal.Point{
	{ID: signal.Pressure, Unit: signal.Pascal, Link: "panel"},
	{ID: signal.Level, Unit: signal.Metre, Link: "panel"},
	{ID: signal.Mains, Unit: signal.Boolean, Link: "panel"},
	{ID: signal.Of("pump1", signal.StartCounter), Unit: signal.Count, Link: "panel"},
	{ID: signal.OfLink("panel"), Unit: signal.Boolean},
}

var header = Header{Version: "1.2.3", Site: "quillen-reach", Unit: "AU/7", Settings: "ab", Points: points}

// scanOf is the n-th scan of a unit: some of it moves, some is still, some is
// missing, the clock is set once, and one reading was never taken.
func scanOf(n int) signal.Scan {
	at := begin.Add(time.Duration(n) * time.Second)
	if n > 40 {
		at = at.AddDate(-56, 0, 0)
	}
	s := signal.Scan{Number: uint64(n + 1), Time: at, Elapsed: time.Duration(n)*time.Second + 17, ClockTrusted: n%7 != 3}
	read := at.Add(-3 * time.Millisecond)
	s.Readings = []signal.Reading{
		signal.Measured(8.5e5+1234.5678*float64(n%13), signal.Pascal, read),
		signal.Measured(1.2, signal.Metre, read).Degrade(signal.Uncertain, signal.Late),
		signal.Missing(signal.Boolean, signal.NeverRead, time.Time{}),
		signal.Measured(float64(n/10), signal.Count, at.Add(-time.Second)),
		signal.Measured(1, signal.Boolean, at),
	}
	if n%10 == 9 {
		s.Readings[0] = signal.Missing(signal.Pascal, signal.FailureLow, read)
	}
	return s
}

func noted(n int) rules.Command {
	return rules.Command{ID: fmt.Sprint("c", n), Order: rules.Note, Unit: "AU/7", By: "A. Lindqvist", Role: rules.Act, Via: "page", Reason: "seen"}
}

func given(n int) []rules.Entry {
	var list []rules.Entry
	for i := range 3 {
		seq := uint64(100*n + i)
		list = append(list, rules.Entry{Schema: 1, ID: fmt.Sprintf("gw-1-0a-%d", seq), Seq: seq, Durable: true, Event: rules.Event{Kind: rules.NoteEvent, Time: begin}})
	}
	return list
}

// record runs a recorder for n scans, a command and numbers among them.
func record(t testing.TB, o Options, n int, end bool) []File {
	t.Helper()
	if o.Most == 0 {
		o.Most = 1 << 30
	}
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	tape := r.Tape(header, []byte(`{"state":0}`), []byte(`{"beat":0}`))
	for i := range n {
		feedScan(tape, i)
		if i%100 == 99 || i == n-1 { // as much as the queue holds, then what Run would do
			for len(r.queue) > 0 {
				e := <-r.queue
				r.take(&e)
			}
		}
	}
	if end {
		tape.Judged(1, true)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := r.Run(ctx); err != nil {
		t.Fatal(err)
	}
	files, err := Files(o.Dir)
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func feedScan(tape *Tape, i int) {
	var commands []rules.Command
	if i%20 == 5 {
		commands = []rules.Command{noted(i), noted(i + 1000)}
	}
	tape.Step(commands, scanOf(i), func() ([]byte, error) { return fmt.Appendf(nil, `{"state":%d}`, i), nil })
	tape.Judged(len(commands), false)
	if commands != nil {
		tape.Recorded(given(i))
	}
}

// items reads a file to its end.
func items(t testing.TB, in io.Reader) (r *Reader, list []Item, err error) {
	t.Helper()
	if r, err = NewReader(in); err != nil {
		return nil, nil, err
	}
	for {
		var it Item
		if err := r.Next(&it); err != nil {
			return r, list, err
		}
		list = append(list, it)
	}
}

func open(t testing.TB, path string) *os.File {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func TestComesBackAsItWas(t *testing.T) {
	files := record(t, Options{Dir: t.TempDir()}, 60, true)
	if len(files) != 1 || files[0].Unit != "AU/7" {
		t.Fatalf("files %+v", files)
	}
	r, list, err := items(t, open(t, files[0].Path))
	if err != io.EOF {
		t.Fatal(err)
	}
	want := header
	want.Format, want.Run, want.Part = formatVersion, r.Header.Run, 1
	if !reflect.DeepEqual(r.Header, want) || len(r.Header.Run) != 16 || string(r.State) != `{"state":0}` || string(r.Beat) != `{"beat":0}` {
		t.Errorf("header %+v, state %s, beat %s", r.Header, r.State, r.Beat)
	}
	scans, commands, numbers := 0, 0, 0
	for _, it := range list {
		switch it.Kind {
		case Scan:
			if want := scanOf(scans); !reflect.DeepEqual(it.Scan, want) {
				t.Fatalf("scan %d:\n%+v, want\n%+v", scans, it.Scan, want)
			}
			scans++
		case Command:
			if it.Command.ID != noted(scans).ID && it.Command.ID != noted(scans+1000).ID || it.Command != noted(commandNumber(it.Command)) {
				t.Errorf("before scan %d: %+v", scans, it.Command)
			}
			commands++
		case Numbers:
			if want := uint64(100 * (scans - 1)); it.Given.First != want || it.Given.Count != 3 || it.Given.Prefix != "gw-1-0a" || !it.Given.Durable || it.Given.Sum == 0 {
				t.Errorf("after scan %d: %+v", scans, it.Given)
			}
			numbers++
		case Gap:
			t.Errorf("a gap: %+v", it.Missed)
		}
	}
	if scans != 60 || commands != 6 || numbers != 3 || list[len(list)-1].Kind != End {
		t.Errorf("%d scans, %d commands, %d numbers, the last a %v", scans, commands, numbers, list[len(list)-1].Kind)
	}
}

func commandNumber(c rules.Command) (n int) {
	fmt.Sscanf(c.ID, "c%d", &n)
	return n
}

// Whatever byte the power goes at, what was whole before it comes back, and
// the end says that it is torn.
func TestTornAnywhere(t *testing.T) {
	files := record(t, Options{Dir: t.TempDir()}, 60, true)
	text, err := os.ReadFile(files[0].Path)
	if err != nil {
		t.Fatal(err)
	}
	_, whole, _ := items(t, bytes.NewReader(text))
	most := 0
	for cut := range len(text) {
		for _, tail := range [][]byte{nil, make([]byte, 100)} { // cut, or full of zeros behind
			_, list, err := items(t, bytes.NewReader(append(slices.Clip(text[:cut]), tail...)))
			if list == nil && cut < 200 {
				continue // not even the header
			}
			if !errors.Is(err, ErrTorn) && !(err == io.EOF && len(list) == len(whole)) {
				t.Fatalf("cut at %d of %d: %v", cut, len(text), err)
			}
			if !begins(whole, list) {
				t.Fatalf("cut at %d: other items than in the whole file", cut)
			}
			most = max(most, len(list))
		}
	}
	if most < len(whole)-1 {
		t.Errorf("at most %d of %d items came back", most, len(whole))
	}
}

// begins reports whether list is how whole begins.
func begins(whole, list []Item) bool {
	return len(list) <= len(whole) && (len(list) == 0 || reflect.DeepEqual(list, whole[:len(list)]))
}

// A spoiled byte is never taken for something else.
func TestSpoiledByte(t *testing.T) {
	files := record(t, Options{Dir: t.TempDir()}, 60, true)
	text, err := os.ReadFile(files[0].Path)
	if err != nil {
		t.Fatal(err)
	}
	_, whole, _ := items(t, bytes.NewReader(text))
	for at := range text {
		spoiled := bytes.Clone(text)
		spoiled[at] ^= 0x10
		_, list, _ := items(t, bytes.NewReader(spoiled))
		if !begins(whole, list) {
			for i := range list {
				if i >= len(whole) || !reflect.DeepEqual(list[i], whole[i]) {
					t.Fatalf("byte %d: item %d of %d reads as %+v", at, i, len(whole), list[i])
				}
			}
		}
	}
}

// Files follow one another without a hole, the oldest go whole, and each
// holds the state at its beginning.
func TestSizeLimit(t *testing.T) {
	const most, file = 20_000, 2_500
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "notes.txt"), []byte("of a person"), 0o600); err != nil {
		t.Fatal(err)
	}
	files := record(t, Options{Dir: dir, Most: most, file: file}, 8000, true)
	sum, next := int64(0), -1
	for i, f := range files {
		sum += f.Size
		if i < len(files)-1 && f.Size < file {
			t.Errorf("%s has %d bytes, and was ended before it had %d", f.Path, f.Size, file)
		}
		r, list, err := items(t, open(t, f.Path))
		if err != io.EOF {
			t.Fatalf("%s: %v", f.Path, err)
		}
		if i > 0 && f.Number != files[i-1].Number+1 || r.Header.Part != int(f.Number) {
			t.Errorf("file %d is part %d", f.Number, r.Header.Part)
		}
		for _, it := range list {
			if it.Kind != Scan {
				continue
			}
			if next < 0 {
				next = int(it.Scan.Number)
			}
			if state := fmt.Sprintf(`{"state":%d}`, next-1); it.Scan.Number == uint64(next) && string(r.State) != "" && string(r.State) != state {
				t.Errorf("%s holds %s, want %s", f.Path, r.State, state)
			}
			r.State = nil
			if it.Scan.Number != uint64(next) {
				t.Fatalf("scan %d where %d should be", it.Scan.Number, next)
			}
			next++
		}
	}
	if next != 8001 || files[0].Number < 5 || sum > most+file || sum < most-3*file {
		t.Errorf("%d files from number %d on, %d bytes, up to scan %d", len(files), files[0].Number, sum, next-1)
	}
	if _, err := os.Stat(filepath.Join(dir, "notes.txt")); err != nil {
		t.Error("a file that is no recording is gone")
	}
}
