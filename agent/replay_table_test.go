package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/configs"
	"strokebank/sensors/signal"
)

var (
	tableDays   = flag.Int("days", 20, "how many days of a plant TestReplayOfATable replays")
	tablePeriod = flag.Duration("period", 10*time.Second, "from one row of its table to the next")
)

// writeRun writes what a simulated unit shows as a table, in the units of its
// configuration with six decimals, and gives the plant as it then is and how
// many starts of each machine no row shows, because they ended before the next.
func writeRun(tb testing.TB, w io.Writer, seed uint64, period, length time.Duration) (p *simulator.Plant, brief [4]int) {
	tb.Helper()
	text, err := configs.Example("quillen-reach")
	if err != nil {
		tb.Fatal(err)
	}
	cfg, err := configs.Parse(bytes.NewReader(text))
	if err != nil {
		tb.Fatal(err)
	}
	plant, err := simulator.New(simulator.QuillenReach(), seed)
	if err != nil {
		tb.Fatal(err)
	}
	unit := cfg.Units[0]
	column := map[string]configs.Column{}
	for i, p := range unit.Points {
		column[string(p.ID)] = unit.Columns[i]
	}
	out := bufio.NewWriter(w)
	fmt.Fprint(out, "time")
	var columns []configs.Column
	for _, r := range plant.Registers() {
		c := column[r.Name]
		columns = append(columns, c)
		fmt.Fprintf(out, ",%s", c.Name)
	}
	fmt.Fprintln(out)
	var samples []simulator.Sample
	var line []byte
	last := plant.Truth()
	for range length / period {
		plant.Step(period)
		now := plant.Truth()
		for i := range brief {
			brief[i] += int(now.Starts[i] - last.Starts[i])
			if now.Running[i] && !last.Running[i] {
				brief[i]--
			}
		}
		last = now
		samples = plant.Measured(samples[:0])
		line = now.Wall.AppendFormat(line[:0], time.RFC3339Nano)
		for i, s := range samples {
			line = append(line, ',')
			if s.OK {
				line = strconv.AppendFloat(line, math.Round((s.Value-columns[i].Zero)/columns[i].Scale*1e6)/1e6, 'f', -1, 64)
			}
		}
		if _, err := out.Write(append(line, '\n')); err != nil {
			tb.Fatal(err)
		}
	}
	if err := out.Flush(); err != nil {
		tb.Fatal(err)
	}
	return plant, brief
}

// replayOf replays and gives events and summary.
func replayOf(tb testing.TB, args ...string) (events, said string, code int) {
	tb.Helper()
	var out, log bytes.Buffer
	code = dispatch(tb.Context(), shell{strings.NewReader(""), &out, &log}, append([]string{"replay"}, args...))
	return out.String(), log.String(), code
}

const quillen = "../configs/quillen-reach.yaml"

var lifeLine = regexp.MustCompile(`(?m)^  (pump1|pump2|compressor1|compressor2) +(\d+) starts, (\d+) s run in its life(?:; the panel's counter is ([+-]\d+))?$`)

// The truth is the simulator's, which shares no formula with the rules: starts
// come out exactly, run seconds within a scan a run. A start that is over before
// the next row, as of a compressor that is locked out at once, no contact can
// show; the panel's start counter, which is in the table too, tells of each.
// `-days 365` takes a year, `-period 1s` a row a second.
func TestReplayOfATable(t *testing.T) {
	period := *tablePeriod
	path := filepath.Join(t.TempDir(), "run.csv.gz")
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	zip, err := gzip.NewWriterLevel(file, gzip.BestSpeed) // a year of seconds is ten gigabytes
	if err != nil {
		t.Fatal(err)
	}
	plant, brief := writeRun(t, zip, 5, period, time.Duration(*tableDays)*24*time.Hour)
	if err := zip.Close(); err != nil {
		t.Fatal(err)
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	events, said, code := replayOf(t, quillen, path)
	if code != exitOK {
		t.Fatalf("exit code %d\n%s", code, said)
	}
	t.Log(said)
	truth := plant.Truth()
	found := lifeLine.FindAllStringSubmatch(said, -1)
	if len(found) != 4 {
		t.Fatalf("the summary has %d machines", len(found))
	}
	for i, m := range found {
		starts, _ := strconv.Atoi(m[2])
		seconds, _ := strconv.ParseFloat(m[3], 64)
		ahead, _ := strconv.Atoi(m[4]) // 0 where nothing is said
		if starts+ahead != int(truth.Starts[i]) || ahead != brief[i] || starts == 0 {
			t.Errorf("%s: %d starts and %d by the counter, %d in truth of which %d were too brief to be seen", m[1], starts, ahead, truth.Starts[i], brief[i])
		}
		if off := math.Abs(seconds - truth.RunSeconds[i]); off > float64(starts+1)*period.Seconds() {
			t.Errorf("%s: %.0f s run, %.0f in truth", m[1], seconds, truth.RunSeconds[i])
		}
		if n := strings.Count(events, `"source":"`+m[1]+`","name":"started"`); n != starts {
			t.Errorf("%s: %d events of a start, %d starts", m[1], n, starts)
		}
	}
}

// A table that is compressed gives the same events as one that is not; columns
// under other names and units give them too.
func TestReplayTableForms(t *testing.T) {
	var text bytes.Buffer
	writeRun(t, &text, 5, 10*time.Second, 6*time.Hour)
	dir := t.TempDir()
	write := func(name string, content []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	want, said, code := replayOf(t, quillen, write("run.csv", text.Bytes()))
	if code != exitOK || strings.Count(want, "\n") < 5 || strings.Count(want, "\n") != strings.Count(want, `"schema":1`) {
		t.Fatalf("exit code %d\n%s%s", code, said, want)
	}
	var packed bytes.Buffer
	zip := gzip.NewWriter(&packed)
	if _, err := zip.Write(text.Bytes()); err != nil {
		t.Fatal(err)
	}
	if err := zip.Close(); err != nil {
		t.Fatal(err)
	}
	example, err := os.ReadFile(quillen)
	if err != nil {
		t.Fatal(err)
	}
	renamed := strings.Replace(string(example), "      pressure: {", "      pressure: {column: PT-7, ", 1)
	if renamed == string(example) {
		t.Fatal("the example writes its pressure otherwise")
	}
	config := write("site.yaml", []byte(renamed))
	header, rows, _ := strings.Cut(text.String(), "\n")
	named := strings.Replace(header, ",pressure,", `,"PT-7 [bar]",`, 1)
	for _, c := range []struct{ name, config, file string }{
		{"compressed", quillen, write("run.csv.gz", packed.Bytes())},
		{"with a mark and line ends of Windows", quillen, write("windows.csv", append([]byte("\xef\xbb\xbf"), bytes.ReplaceAll(text.Bytes(), []byte("\n"), []byte("\r\n"))...))},
		{"another name, and the unit in the header", config, write("named.csv", []byte(named+"\n"+rows))},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, said, code := replayOf(t, c.config, c.file)
			if code != exitOK || got != want {
				t.Errorf("exit code %d, %d bytes of events instead of %d\n%s", code, len(got), len(want), said)
			}
		})
	}
}

const wellHeader = "time,pressure,level,pump1.running,pump2.running,compressor1.running,compressor2.running\n"

// What cannot be meant is refused with file, line and what would be right.
func TestReplayRefusesATable(t *testing.T) {
	row := func(at string, cells ...string) string { return at + "," + strings.Join(cells, ",") + "\n" }
	good := row("2026-03-01T06:30:00Z", "8.5", "1.15", "0", "0", "0", "0") + row("2026-03-01T06:30:10Z", "8.5", "1.15", "0", "0", "0", "0")
	var packed bytes.Buffer
	zip := gzip.NewWriter(&packed)
	for i := range 5000 {
		fmt.Fprint(zip, row(time.Date(2026, 3, 1, 0, 0, i, 0, time.UTC).Format(time.RFC3339), fmt.Sprint(float64(i*i%997)/100), "1.15", "0", "0", "0", "0"))
	}
	zip.Close()
	var whole bytes.Buffer
	zip = gzip.NewWriter(&whole)
	fmt.Fprint(zip, wellHeader+good)
	zip.Close()
	spoiled := bytes.Clone(whole.Bytes())
	spoiled[len(spoiled)-6] ^= 1
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "it is empty; the first line must name the columns"},
		{"no rows", wellHeader, "line 2: there are 0 rows under the header; write two at least"},
		{"wrong column", strings.Replace(wellHeader, "level", "lvl", 1) + good, `line 1: column 3: unit AU-7 has no point "lvl"; leave the column out, or name it in the configuration`},
		{"missing column", strings.Replace(wellHeader, ",level", "", 1) + good, "line 1: there is no column for level; add it"},
		{"twice", strings.Replace(wellHeader, "level", "level,level", 1) + good, "line 1: column 4: level stands twice"},
		{"unknown unit", strings.Replace(wellHeader, "pressure", "pressure [furlong]", 1) + good, `line 1: column 2: "furlong" is not a unit that is known here; write one of bar`},
		{"unit of a contact", strings.Replace(wellHeader, "pump1.running", "pump1.running [bar]", 1) + good, "this point has no unit"},
		{"semicolons", strings.ReplaceAll(wellHeader+good, ",", ";"), "not separated by commas"},
		{"UTF-16", "\xff\xfet\x00i\x00", "save it as CSV in UTF-8"},
		{"time goes back", wellHeader + good + row("2026-03-01T06:29:00Z", "8.5", "1.15", "0", "0", "0", "0"), "line 4: the time goes back or stands, 2026-03-01T06:29:00Z after 2026-03-01T06:30:10Z; sort"},
		{"time stands", wellHeader + good + row("2026-03-01T06:30:10Z", "8.5", "1.15", "0", "0", "0", "0"), "line 4: the time goes back or stands"},
		{"time without offset", wellHeader + row("2026-03-01 06:29:00", "8.5", "1.15", "0", "0", "0", "0"), `line 2: "2026-03-01 06:29:00" is no time; write RFC 3339`},
		{"decimal comma", wellHeader + good + row("2026-03-01T06:30:20Z", "8,5", "1.15", "0", "0", "0", "0"), "line 4: it has 8 cells; write 7"},
		{"word for a number", wellHeader + good + row("2026-03-01T06:30:20Z", "high", "1.15", "0", "0", "0", "0"), `line 4: column "pressure": "high" is no number; write one with a decimal point, bar`},
		{"not a number", wellHeader + good + row("2026-03-01T06:30:20Z", "NaN", "1.15", "0", "0", "0", "0"), "is no number"},
		{"too large a number", wellHeader + good + row("2026-03-01T06:30:20Z", "1e308", "1.15", "0", "0", "0", "0"), "is no number"},
		{"half a contact", wellHeader + good + row("2026-03-01T06:30:20Z", "8.5", "1.15", "0.5", "0", "0", "0"), `column "pump1.running": "0.5" is no contact; write 0 or 1`},
		{"too few cells", wellHeader + good + "2026-03-01T06:30:20Z,8.5\n", "line 4: it has 2 cells; write 7, as the header has"},
		{"open quote", wellHeader + good + "\"2026-03-01T06:30:20Z,8.5\n", "line 4: a quote is not closed"},
		{"archive cut off", string(packed.Bytes()[:packed.Len()/2]), "gzip stream ends in the middle; copy the file again"},
		{"archive spoiled", string(spoiled), "the gzip stream is broken"},
		{"archive of nothing", "\x1f\x8b\x08", "the gzip stream is broken at its beginning"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := c.text
			if c.name == "archive cut off" { // with its header in it
				text = string(cutArchive(t))
			}
			path := filepath.Join(t.TempDir(), "run.csv")
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			_, said, code := replayOf(t, quillen, path)
			if code != exitFailed || !strings.Contains(said, path+": ") || !strings.Contains(said, c.want) {
				t.Errorf("exit code %d, want %q in\n%s", code, c.want, said)
			}
		})
	}
}

// cutArchive is the first half of a sound table, compressed.
func cutArchive(t *testing.T) []byte {
	t.Helper()
	var packed bytes.Buffer
	zip := gzip.NewWriter(&packed)
	writeRun(t, zip, 5, 10*time.Second, time.Hour)
	if err := zip.Close(); err != nil {
		t.Fatal(err)
	}
	return packed.Bytes()[:packed.Len()/2]
}

// oneLine is a line that never ends.
type oneLine struct{ read int64 }

func (e *oneLine) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = '8'
	}
	e.read += int64(len(p))
	return len(p), nil
}

// A line of a gigabyte is refused after a megabyte.
func TestReplayTableWithAnEndlessLine(t *testing.T) {
	e := new(oneLine)
	var out, said bytes.Buffer
	in := io.MultiReader(strings.NewReader(wellHeader), e)
	code := dispatch(t.Context(), shell{in, &out, &said}, []string{"replay", quillen, "-"})
	if code != exitFailed || !strings.Contains(said.String(), "standard input: line 2: it is longer than 1048576 bytes") {
		t.Errorf("exit code %d\n%s", code, said.String())
	}
	if e.read > 4<<20 {
		t.Errorf("%d bytes were read of it", e.read)
	}
}

// An empty cell is a missing reading, the words of a reason say why, and what
// lies outside a transmitter's range is judged as on the wire (NAMUR NE 43:
// at or under 3.6 mA a failure).
func TestReplayTableMissingReadings(t *testing.T) {
	head := wellHeader + "2026-03-01T06:30:00Z,8.5,1.15,0,0,0,0\n"
	for _, c := range []struct{ name, cell, want string }{
		{"empty", "", signal.NoAnswer.String()},
		{"with its reason", "failure signal low", signal.FailureLow.String()},
		{"3.5 mA", "-0.375", signal.FailureLow.String()}, // of a span from 0 to 12 bar
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "run.csv")
			text := head + "2026-03-01T06:30:10Z," + c.cell + ",1.15,0,0,0,0\n"
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			events, said, code := replayOf(t, quillen, path)
			if code != exitOK || !strings.Contains(events, `"reason":"pressure: `+c.want+`"`) && !strings.Contains(events, `"reason":"`+c.want+`"`) {
				t.Errorf("exit code %d, want %q in\n%s%s", code, c.want, events, said)
			}
		})
	}
}

func FuzzReplayTable(f *testing.F) {
	text, err := os.ReadFile(quillen)
	if err != nil {
		f.Fatal(err)
	}
	cfg, err := configs.Parse(bytes.NewReader(text))
	if err != nil {
		f.Fatal(err)
	}
	var run bytes.Buffer
	writeRun(f, &run, 5, 10*time.Second, 5*time.Minute)
	f.Add(run.Bytes())
	f.Add([]byte(wellHeader + "2026-03-01T06:30:00Z,8.5,,0,0,0,0\r\n2026-03-01T06:30:10+01:00,\"8.5\",failure signal low,0,0,0,1"))
	f.Fuzz(func(t *testing.T, text []byte) {
		in, err := newTable("f", bytes.NewReader(text), new(meter), &cfg.Units[0])
		var last time.Time
		var it fed
		for err == nil {
			if err = in.next(&it); err != nil {
				break
			}
			if len(it.Scan.Readings) != len(in.cells) || !it.Scan.Time.After(last) || it.Scan.Elapsed < 0 {
				t.Fatalf("%+v", it.Scan)
			}
			last = it.Scan.Time
		}
		if err != io.EOF && !strings.HasPrefix(err.Error(), "f: ") {
			t.Errorf("%v: it does not name the file", err)
		}
	})
}
