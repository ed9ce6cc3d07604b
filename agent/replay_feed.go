package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"strokebank/agent/internal/recording"
	"strokebank/sensors/signal"
)

// feed gives what entered the rules, in order. io.EOF ends it.
type feed interface {
	next(*fed) error
	// done is how much of the input is read, from 0 to 1; unknown: negative.
	// It may be called from another goroutine.
	done() float64
}

// fed is one thing that entered, after the beginning of a watch where there
// is one.
type fed struct {
	recording.Item
	begin *beginning // nil: the watch before goes on
}

// beginning is what a watch began with.
type beginning struct {
	points      []signal.Point
	state, beat []byte
	first       bool   // this is the watch's true beginning, not where a file of it does
	settings    string // digest; empty: not known
}

// errInput is a mistake in what is replayed.
type errInput struct{ text string }

func (e *errInput) Error() string { return e.text }

func badInput(format string, args ...any) error { return &errInput{fmt.Sprintf(format, args...)} }

// tapes gives the recordings of one unit.
type tapes struct {
	files []recording.File
	note  func(format string, args ...any)
	meter *meter

	file   *os.File
	reader *recording.Reader
	last   recording.Header // of the file before
	begin  *beginning
}

// recorded lists the recordings of a unit at the paths: files, or directories
// of them.
func recorded(paths []string, unit string) ([]recording.File, error) {
	var all []recording.File
	for _, path := range paths {
		info, err := os.Stat(path)
		if err != nil {
			return nil, err
		}
		if !info.IsDir() {
			all = append(all, recording.File{Path: path, Unit: unit, Size: info.Size()})
			continue
		}
		files, err := recording.Files(path)
		if err != nil {
			return nil, err
		}
		found := false
		for _, f := range files {
			if f.Unit == unit {
				all, found = append(all, f), true
			}
		}
		if !found {
			return nil, badInput("%s: there is no recording of unit %s in it; name a directory that `strokebank run -record` wrote", path, unit)
		}
	}
	return all, nil
}

func newTapes(files []recording.File, unit string, note func(string, ...any)) (*tapes, error) {
	t := &tapes{files: files, note: note, meter: new(meter)}
	for _, f := range files {
		t.meter.total += f.Size
	}
	// The first file must be one, or the arguments are wrong.
	if err := t.open(); err != nil {
		return nil, err
	}
	if t.reader == nil {
		return nil, badInput("%s: there is nothing in it but a torn beginning", files[0].Path)
	}
	if h := &t.reader.Header; h.Unit != unit {
		return nil, badInput("%s: it is a recording of unit %s, not of %s; choose with -unit", files[0].Path, h.Unit, unit)
	}
	return t, nil
}

func (t *tapes) done() float64 { return t.meter.part() }

// open opens the next file that has something in it; reader stays nil where
// none is left.
func (t *tapes) open() error {
	for t.reader == nil && len(t.files) > 0 {
		path := t.files[0].Path
		t.files = t.files[1:]
		file, err := os.Open(path)
		if err != nil {
			return err
		}
		t.file = file
		r, err := recording.NewReader(t.meter.reading(file))
		switch {
		case errors.Is(err, recording.ErrTorn):
			t.note("%s: %v; nothing is in it", filepath.Base(path), err)
			file.Close()
			continue
		case err != nil:
			file.Close()
			return badInput("%s: %v", path, err)
		}
		t.reader = r
		t.begin = t.beginning(path, r)
	}
	return nil
}

// beginning is nil where the file goes on with the watch of the one before.
func (t *tapes) beginning(path string, r *recording.Reader) *beginning {
	h := r.Header
	defer func() { t.last = h }()
	if h.Run == t.last.Run {
		if h.Part == t.last.Part+1 {
			return nil
		}
		t.note("%s: the file before it is missing; it begins from the state that it holds", filepath.Base(path))
	}
	return &beginning{points: h.Points, state: r.State, beat: r.Beat, first: h.Part == 1, settings: h.Settings}
}

func (t *tapes) next(f *fed) error {
	for {
		if err := t.open(); err != nil {
			return err
		}
		if t.reader == nil {
			return io.EOF
		}
		err := t.reader.Next(&f.Item)
		if err == nil {
			f.begin, t.begin = t.begin, nil
			return nil
		}
		name := t.file.Name()
		t.file.Close()
		t.reader = nil
		switch {
		case errors.Is(err, recording.ErrTorn):
			t.note("%s: %v", filepath.Base(name), err)
		case err != io.EOF:
			return badInput("%s: %v", name, err)
		}
	}
}
