package main

import (
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"slices"
	"strconv"
	"strings"

	"strokebank/agent/internal/recording"
	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/sensors/signal"
)

// outfit is what a station gets besides its configuration.
type outfit struct {
	clock  watch.ClockSources
	record recordTo
	people *people // nil: nothing is known of anybody
}

// recordTo says where all that enters the rules is recorded; the zero value
// records nothing.
type recordTo struct {
	dir  string
	most size
}

// flags adds the flags of a recording.
func (r *recordTo) flags(fs *flag.FlagSet) {
	r.most = 1e9
	fs.StringVar(&r.dir, "record", "", "record in this `directory` all that enters the rules, for strokebank replay")
	fs.Var(&r.most, "record-most", "the recordings take at most this `size`; then the oldest files go")
}

// check says at the start what is wrong with the directory.
func (r *recordTo) check() error {
	if r.dir == "" {
		return nil
	}
	_, err := recording.New(recording.Options{Dir: r.dir, Most: int64(r.most)})
	return err
}

// size is a number of bytes as a flag.
type size int64

var sizeUnits = []struct {
	name  string
	bytes float64
}{{"GB", 1e9}, {"MB", 1e6}, {"kB", 1e3}}

// String writes the size with its unit.
func (s *size) String() string {
	for _, u := range sizeUnits {
		if float64(*s) >= u.bytes {
			return fmt.Sprintf("%g %s", float64(*s)/u.bytes, u.name)
		}
	}
	return "0 MB"
}

// Set reads "500 MB".
func (s *size) Set(text string) error {
	for _, u := range sizeUnits {
		number, ok := strings.CutSuffix(text, u.name)
		if !ok {
			continue
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if bytes := v * u.bytes; err == nil && bytes >= 2e6 && bytes <= 1e15 {
			*s = size(bytes)
			return nil
		}
	}
	return fmt.Errorf("%.20q is no size of 2 MB or more: write 500 MB or 4 GB", text)
}

// newRecorder is the recorder of a station; nil where none is wanted, or none
// can be had: that is no reason not to watch.
func newRecorder(r recordTo, log *slog.Logger) *recording.Recorder {
	if r.dir == "" {
		return nil
	}
	recorder, err := recording.New(recording.Options{Dir: r.dir, Most: int64(r.most), Log: log})
	if err != nil {
		log.Error("nothing is recorded", "dir", r.dir, "err", err)
		return nil
	}
	return recorder
}

// onTape records a watch from its beginning.
func (s *station) onTape(w *watch.Watch, cfg *configs.Config, points []signal.Point, state, beat []byte) {
	if s.recorder == nil {
		return
	}
	w.Tape = s.recorder.Tape(recording.Header{
		Version: release, Site: w.Site, Unit: w.Unit, Settings: settingsOf(cfg, w.Unit), Points: points,
	}, state, beat)
}

// settingsOf is a digest of what the rules of a unit are configured with, to
// tell a replay whether it judges by the same.
func settingsOf(cfg *configs.Config, unit string) string {
	sum := sha256.New()
	for _, path := range slices.Sorted(maps.Keys(cfg.Effective)) {
		of, key := owner(path)
		switch first, _, _ := strings.Cut(key, "."); {
		case of == unit && !slices.Contains([]string{"points", "display", "link", "device"}, first), path == "site", path == "scan":
			io.WriteString(sum, path+"="+cfg.Effective[path]+"\n")
		}
	}
	return hex.EncodeToString(sum.Sum(nil)[:8])
}
