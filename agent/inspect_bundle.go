package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"time"

	"strokebank/configs"
	"strokebank/rules"
)

// The bounds of a service file, so that it can be sent by mail.
const (
	mostSent      = 2000    // events
	mostSentBytes = 1 << 20 // of events, before compression
)

// recent are the newest events of the last month, the oldest first.
func (p *pastEvents) recent(ctx context.Context, cfg *configs.Config) (all []sentEvent, err error) {
	if p.store == nil {
		return nil, nil
	}
	for _, owner := range owners(cfg) {
		err = errors.Join(err, p.store.Events(ctx, owner, nil, time.Now().Add(-month), time.Time{}, func(e *rules.Entry) error {
			all = append(all, sent(e))
			if len(all) >= 2*mostSent {
				all = append(all[:0], all[len(all)-mostSent:]...)
			}
			return nil
		}))
		slices.SortFunc(all, func(a, b sentEvent) int { return int(int64(a.Seq) - int64(b.Seq)) })
		all = all[max(0, len(all)-mostSent):]
	}
	return all, err
}

// bundle writes the service file, which only its owner may read and which does
// not replace another.
func (in *inspection) bundle(path string, events []sentEvent) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("service file: %w", err)
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err != nil {
			err = errors.Join(fmt.Errorf("service file: %w", err), os.Remove(path))
		}
	}()
	return errors.Join(in.pack(f, events), f.Sync())
}

// pack writes what a service file has.
func (in *inspection) pack(to io.Writer, events []sentEvent) error {
	zip := gzip.NewWriter(to)
	out := tar.NewWriter(zip)
	hide := in.secrets()
	for _, part := range in.parts(events, hide) {
		text := home.ReplaceAllString(hide.Replace(part.text), "/home/"+leftOut)
		h := &tar.Header{Name: "strokebank-service/" + part.name, Mode: 0o600, Size: int64(len(text)), ModTime: in.Time}
		if err := out.WriteHeader(h); err != nil {
			return err
		}
		if _, err := out.Write([]byte(text)); err != nil {
			return err
		}
	}
	return errors.Join(out.Close(), zip.Close())
}

// home is a person's own folder, by that person's name.
var home = regexp.MustCompile(`/home/[^/\s"';,]+`)

type bundlePart struct{ name, text string }

func (in *inspection) parts(events []sentEvent, hide *strings.Replacer) []bundlePart {
	inside := in.forOthers(hide)
	var text, asJSON bytes.Buffer
	_ = inside.text(&text) // a buffer takes everything
	_ = inside.json(&asJSON)
	parts := []bundlePart{{"inspection.txt", text.String()}, {"inspection.json", asJSON.String()}, {"system.txt", system()}}
	if in.cfg != nil {
		var b strings.Builder
		for _, path := range slices.Sorted(maps.Keys(in.cfg.Effective)) {
			fmt.Fprintf(&b, "%s: %s\n", path, openValue(path, in.cfg.Effective[path]))
		}
		parts = append(parts, bundlePart{"configuration.txt", b.String()})
	}
	return append(parts, bundlePart{"events.jsonl", eventLines(events)})
}

// eventLines are the events as JSON lines, the oldest dropped where they are too
// many bytes.
func eventLines(events []sentEvent) string {
	var all []string
	size := 0
	for _, e := range slices.Backward(events) {
		text, err := json.Marshal(e)
		if size += len(text) + 1; err != nil || size > mostSentBytes {
			break
		}
		all = append(all, string(text)+"\n")
	}
	slices.Reverse(all)
	return strings.Join(all, "")
}

func system() string {
	return fmt.Sprintf("program  strokebank %s, commit %s\ngo       %s %s/%s\nkernel   %s\ncpus     %d\n",
		release, commit(), runtime.Version(), runtime.GOOS, runtime.GOARCH, kernel(), runtime.NumCPU())
}

// secrets replaces, as the last line behind the lists above, every secret that
// this process can read, as it is and as JSON writes it. Shorter ones than four
// letters would be found everywhere, and stand nowhere.
func (in *inspection) secrets() *strings.Replacer {
	var words []string
	add := func(text string) {
		for line := range strings.Lines(text) {
			if line = strings.TrimSpace(line); len(line) >= 4 {
				words = append(words, line, jsonWord(line))
			}
		}
	}
	if in.cfg != nil {
		add(in.given)
		files := []string{in.cfg.Access.SeeFile, in.cfg.Access.ActFile, in.cfg.HTTP.KeyFile}
		names := []string{in.cfg.Access.SeeEnv, in.cfg.Access.ActEnv}
		if b := in.cfg.Broker; b != nil {
			files, names = append(files, b.PasswordFile, b.KeyFile), append(names, b.PasswordEnv)
		}
		for _, f := range files {
			if text, err := os.ReadFile(f); err == nil && f != "" {
				add(string(text))
			}
			add(f)
		}
		for _, name := range names {
			add(os.Getenv(name))
			add(name)
		}
	}
	slices.SortFunc(words, func(a, b string) int { return len(b) - len(a) }) // the longest first
	var pairs []string
	for _, w := range words {
		pairs = append(pairs, w, leftOut)
	}
	return strings.NewReplacer(pairs...)
}

func jsonWord(text string) string {
	b, err := json.Marshal(text)
	if err != nil {
		return text
	}
	return string(b[1 : len(b)-1])
}
