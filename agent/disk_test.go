package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"strokebank/rules/alarm"
)

// smallDisk runs the agent with its history on a disk of its own, of the given
// size. The disk exists in the agent's name space alone; at is where this
// process finds it.
func (c *chain) smallDisk(t *testing.T, megabytes int) (at string) {
	t.Helper()
	dir := t.TempDir()
	c.store = filepath.Join(dir, "history")
	c.mqtt, c.http, c.unit = broker(t), freePort(t), "strokebank/quillen-reach/AU-9/"
	c.image, c.modbus = peer(t, "chain-image.json")
	c.config = configuration(t, "chain.yaml", map[string]string{
		"PORT_MODBUS": strconv.Itoa(c.modbus), "PORT_MQTT": strconv.Itoa(c.mqtt),
		"PORT_HTTP": strconv.Itoa(c.http), "STORE": c.store,
	})
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	c.strokebank = path
	c.hears = subscribe(t, c.mqtt, "strokebank/#")
	// A file stands where the folder should be: nothing can be read at first.
	script := fmt.Sprintf(`mount -t tmpfs -o size=%dm tmpfs "$1" && : >"$1/history" && shift && exec "$@"`, megabytes)
	c.agent = start(t, tool(t, "unshare", "util-linux"), "-rm", "sh", "-c", script, "sh", dir, path, "run", c.config)
	listening(t, c.http)
	return fmt.Sprintf("/proc/%d/root%s", c.agent.cmd.Process.Pid, dir)
}

// fill takes all the space that a disk has left.
func fill(t *testing.T, path string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	block := make([]byte, 4096)
	for err == nil {
		_, err = f.Write(block)
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// lowReserve lets the pressure fall and come back, which raises an alarm and
// clears it, and returns its message.
func (c *chain) lowReserve(from int) heard {
	raised := c.change("low_reserve", "unit", "unacknowledged")
	c.image.set("input", 0, 9800)
	h, at := c.hears.await("low_reserve raised", from, raised)
	c.image.set("input", 0, 12000)
	c.hears.await("low_reserve over", at, func(h heard) bool {
		return h.topic == c.unit+"event" && h.payload["name"] == "low_reserve" && h.payload["from"] == "unacknowledged"
	})
	return h
}

// The agent starts although its history cannot be opened, judges, raises
// alarms and says what is wrong; it goes on durably once the disk is back.
// Then the disk fills up, and is emptied again.
func TestDiskThatIsAwayAndThenFull(t *testing.T) {
	t.Parallel() // it waits for the agent's next try most of the time
	c := new(chain)
	disk := c.smallDisk(t, 16)
	_, at := c.hears.await("five cycles without a disk", 0, c.cycles(5))
	failing, limit := c.change(alarm.HistoryFailing, "agent", "unacknowledged"), c.change(alarm.DiskLimit, "agent", "unacknowledged")
	if h, _ := c.hears.await("history_failing", 0, failing); h.payload["durable"] != false {
		t.Errorf("%v claims to be durable", h.payload)
	}
	if h := c.lowReserve(at); h.payload["durable"] != false {
		t.Errorf("%v claims to be durable", h.payload)
	}
	c.says(t, "1", "not a directory")
	elsewhere := filepath.Join(t.TempDir(), "inspected.yaml") // its message would be among those that are held below
	put(t, elsewhere, strings.Replace(readText(t, c.config), fmt.Sprintf("127.0.0.1:%d", c.mqtt), "127.0.0.1:1", 1))
	_, found := look(t, elsewhere)
	wants(t, found, "history, running agent", attention, "kept in memory alone", "ReadWritePaths=")

	from := len(c.hears.all())
	if err := os.Remove(filepath.Join(disk, "history")); err != nil {
		t.Fatal(err)
	}
	over := func(name string) func(heard) bool {
		return func(h heard) bool {
			return h.topic == c.unit+"event" && h.payload["name"] == name && h.payload["from"] == "unacknowledged"
		}
	}
	c.hears.await("history_failing over", from, over(alarm.HistoryFailing))
	if h := c.lowReserve(from); h.payload["durable"] != true {
		t.Errorf("%v is not durable although the disk is back", h.payload)
	}
	c.says(t, "0", "history is durable again")

	from = len(c.hears.all())
	fill(t, filepath.Join(disk, "ballast-of-another"))
	c.lowReserve(from)
	_, at = c.hears.await("disk_limit", from, limit)
	fill(t, filepath.Join(disk, "ballast-of-another"))
	for c.hears.find(at, failing) < 0 {
		c.lowReserve(len(c.hears.all())) // until the space that the file itself still has is used up
	}

	from = len(c.hears.all())
	if err := os.Remove(filepath.Join(disk, "ballast-of-another")); err != nil {
		t.Fatal(err)
	}
	c.hears.await("history_failing over again", from, over(alarm.HistoryFailing))
	c.hears.await("disk_limit over", from, over(alarm.DiskLimit))
	c.complete(t)
	c.storeOf(t, disk)
	readReference(t).hold(t, c.hears.all())
}

// says holds what the metrics, the page and the log tell about the record.
func (c *chain) says(t *testing.T, failing, log string) {
	t.Helper()
	base := fmt.Sprintf("http://127.0.0.1:%d", c.http)
	eventually(t, "the metrics say failing "+failing, func() bool {
		return strings.Contains(get(t, base+"/metrics"), "strokebank_history_failing "+failing+"\n")
	})
	eventually(t, "the log says: "+log, func() bool { return strings.Contains(c.agent.log.String(), log) })
	if strings.Count(c.agent.log.String(), "history is not durable") > 3 {
		t.Error("the log repeats itself")
	}
}

// complete: in the order of their first arrival the events have the numbers
// of the history without a gap, and no id has two of them.
func (c *chain) complete(t *testing.T) {
	t.Helper()
	seen, last := map[any]float64{}, 0.0
	for _, h := range c.hears.all() {
		if h.topic != c.unit+"event" {
			continue
		}
		number := h.payload["sequence"].(float64)
		if number >= 1<<52 {
			continue // sent while the true numbers were not known, and again later
		}
		if was, again := seen[h.payload["id"]]; again {
			if was != number {
				t.Errorf("%v has the numbers %v and %v", h.payload["id"], was, number)
			}
			continue
		}
		if number != last+1 {
			t.Errorf("number %v follows %v", number, last)
		}
		seen[h.payload["id"]], last = number, number
	}
	if last < 10 {
		t.Errorf("only %v events", last)
	}
}

// storeOf copies the history from the agent's disk, stops the agent and holds
// that what is in the copy is sound.
func (c *chain) storeOf(t *testing.T, disk string) {
	t.Helper()
	copied := t.TempDir()
	files, err := filepath.Glob(filepath.Join(disk, "history", "history.db*"))
	if err != nil || len(files) == 0 {
		t.Fatalf("%v, %v", files, err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err == nil {
			err = os.WriteFile(filepath.Join(copied, filepath.Base(file)), text, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if code := c.agent.stop(); code != exitOK {
		t.Errorf("stopped with exit code %d", code)
	}
	c.store = copied
	if entries, _ := c.history(t); len(entries) < 10 {
		t.Errorf("%d events on the disk", len(entries))
	}
}
