package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
)

func TestDecimalIsNeverRoundedUp(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 3: "3", 2.9999999999: "2.999999999", 0.1: "0.1", 0.12345678949: "0.123456789", 0.1234567899: "0.123456789", 1e-12: "0"} {
		if got := decimal(v); got != want {
			t.Errorf("%v: %s, want %s", v, got, want)
		}
	}
}

// What fails leaves the file that was there, and nothing beside it.
func TestTableIsNeverHalfWritten(t *testing.T) {
	dir := t.TempDir()
	in, out := filepath.Join(dir, "in.csv"), filepath.Join(dir, "out.csv")
	write := func(path, text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	only := func(want string) {
		t.Helper()
		text, err := os.ReadFile(out)
		files, _ := filepath.Glob(filepath.Join(dir, "*"))
		if err != nil || !strings.HasPrefix(string(text), want) || len(files) != 2 {
			t.Errorf("%q (%v) and %v, want %q and no more files", text, err, files, want)
		}
	}
	many := strings.Split(tableOf(sound()), "\n")
	write(in, many[0]+"\n"+strings.Repeat(many[1]+"\n", 3000)+"\"open\n1\n")
	write(out, "old")
	var said bytes.Buffer
	sh := shell{in: strings.NewReader(""), out: io.Discard, err: &said}
	if code := suppose(t.Context(), sh, []string{"-csv", in, "-out", out}); code != exitFailed || !strings.Contains(said.String(), "in.csv: record on line 3002") {
		t.Errorf("code %d, said %q", code, said.String())
	}
	only("old")

	write(in, tableOf(sound()))
	stopped, stop := context.WithCancel(t.Context())
	stop()
	if code := suppose(stopped, sh, []string{"-csv", in, "-out", out}); code != exitFailed {
		t.Errorf("stopped: code %d", code)
	}
	only("old")

	if code := suppose(t.Context(), sh, []string{"--csv", in, "--out", out}); code != exitOK {
		t.Errorf("code %d, said %q", code, said.String())
	}
	only("tank_volume_m3,")
	if code := suppose(t.Context(), sh, []string{"-csv", in, "-out", in}); code != exitOK {
		t.Errorf("onto itself: code %d, said %q", code, said.String())
	}
	if text, _ := os.ReadFile(in); !strings.Contains(string(text), "at_least_cycles") {
		t.Errorf("onto itself: %q", text)
	}
}

func TestTableOnStandardStreams(t *testing.T) {
	var out, said bytes.Buffer
	sh := shell{in: strings.NewReader(tableOf(sound())), out: &out, err: &said}
	if code := suppose(t.Context(), sh, []string{"-csv", "-", "-out", "-"}); code != exitOK || strings.Count(out.String(), "\n") != 2 {
		t.Errorf("code %d, out %q, said %q", code, out.String(), said.String())
	}
	sh = shell{in: iotest.ErrReader(errors.New("the cable is out")), out: &out, err: &said}
	if code := suppose(t.Context(), sh, []string{"-csv", "-"}); code != exitFailed || !strings.Contains(said.String(), "the cable is out") {
		t.Errorf("code %d, said %q", code, said.String())
	}
}

func BenchmarkTable(b *testing.B) {
	r := rand.New(rand.NewPCG(3, 14))
	var all []state
	for range 10000 {
		all = append(all, anyState(r))
	}
	text := tableOf(all...)
	b.Run("rows=10000", func(b *testing.B) {
		for b.Loop() {
			if err := supposeTable(b.Context(), strings.NewReader(text), io.Discard, io.Discard); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// The help names every column.
func TestTableColumnsStandInTheHelp(t *testing.T) {
	for _, c := range columns {
		if !strings.Contains(supposeUsage, c.name) {
			t.Errorf("the help lacks %s", c.name)
		}
	}
}
