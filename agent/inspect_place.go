package main

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// access says whether the agent could start with the secrets that the file
// names, and who may do what. Nothing of them is said.
func (in *inspection) access() {
	_, err := authorityOf(in.cfg, nil)
	a := in.cfg.Access
	who := "Whoever reaches the page may see"
	if a.SeeFile != "" || a.SeeEnv != "" {
		who = "Who wants to see the page needs a secret"
	}
	switch {
	case errors.Is(err, fs.ErrPermission):
		in.add(notSeen, "access", "This user may not read the secrets.", "Run inspect as the service's user.")
	case err != nil:
		in.add(attention, "access", fmt.Sprintf("The agent does not start with these secrets: %s.", strings.ReplaceAll(err.Error(), "\n", "; ")),
			"Make the line of the file anew with strokebank secret, and let the service's user alone read it.")
	case a.ActFile != "" || a.ActEnv != "":
		in.well("access", "%s, and who wants to act needs a secret.", who)
	case a.ActWithoutSecret:
		in.well("access", "%s, and act, without a secret; the page is this machine's alone.", who)
	default:
		in.well("access", "%s, and nobody may act.", who)
	}
}

// openFiles says which secrets and keys others may read, and what others may
// write although it commands the agent.
func (in *inspection) openFiles() {
	var says, sent []string
	open := 0
	for _, f := range openFiles(in.File, in.cfg, in.etc) {
		says, sent = append(says, f.String()), append(sent, f.key+": "+f.says+".")
		if f.do != "" {
			open++
		}
	}
	f := in.well("files", "Secrets, keys and the configuration are closed to others.")
	if open > 0 {
		f.State = attention
		f.Says = fmt.Sprintf("More people than it concerns may read or write what the agent trusts, in %s.", count(open, "place"))
		f.Do = "Close them as root, with the command in each line. A secret or key that others could read is known: make a new one."
	}
	f.Details, f.sent = says, sent
}

// clock says whether the machine's clock can be believed.
func (in *inspection) clock(p *pastEvents) {
	_, _, trusted := in.clockNow.Now()
	k := in.senses.kept()
	var parts []string
	switch {
	case !k.known:
		parts = append(parts, "whether it is synchronised cannot be asked here")
	case k.synchronised:
		parts = append(parts, fmt.Sprintf("the kernel says that it is synchronised, within %v", k.within.Round(time.Millisecond)))
	default:
		parts = append(parts, "the kernel says that nothing keeps it right")
	}
	if !p.since.IsZero() {
		word := "trusts it since "
		if !p.trusted {
			word = "does not trust it since "
		}
		parts = append(parts, "the agent "+word+p.since.Format(time.RFC3339))
	}
	steps := "no step of it in 30 days"
	if p.steps > 0 {
		steps = fmt.Sprintf("%s in 30 days, the widest of %.1f s", count(p.steps, "step"), p.widest)
	}
	if p.store != nil {
		parts = append(parts, steps)
	}
	says := "The clock is trusted: " + strings.Join(parts, "; ") + "."
	switch {
	case !trusted && k.known && !k.synchronised && in.cfg.Clock.RequireSync:
		in.add(attention, "clock", "The clock is not trusted: "+strings.Join(parts, "; ")+".",
			"Start a time service (chrony or systemd-timesyncd) and see that it reaches its server; until then readings are uncertain.")
	case !trusted:
		in.add(attention, "clock", "The clock is not trusted, it is behind what the store has seen or this program was written: "+strings.Join(parts, "; ")+".",
			"Set the clock, or start a time service; durations are right all the same, times are not.")
	case k.known && !k.synchronised:
		in.add(attention, "clock", says, "Start a time service (chrony or systemd-timesyncd): a clock that runs free is off by some seconds a day.")
	case p.steps > mostSteps:
		in.add(attention, "clock", says, "Find out what sets the clock so often: two time services, or a dead battery.")
	default:
		in.well("clock", "%s", says)
	}
}

// Limits of what is well: *common practice, no source*.
const (
	leastFree   = 100e6           // bytes; ten years of one unit take 80 MB
	slowestSync = 2 * time.Second // of a synced write; the heartbeat comes every 4 s
	mostSteps   = 10              // of the clock in a month
	renewAhead  = month           // before a certificate ends
)

// disk says whether the store's disk has room, is quick enough, and lasts.
func (in *inspection) disk() {
	dir := in.cfg.History.Dir
	there := existing(dir)
	size := storeSize(dir)
	free, total, err := freeSpace(there)
	switch {
	case err != nil:
		in.add(notSeen, "disk", fmt.Sprintf("Its space cannot be asked: %v.", err), "Run inspect as the service's user.")
	case free < leastFree:
		in.add(attention, "disk", fmt.Sprintf("%s of %s are free, the store takes %s.", megabytes(free), megabytes(total), megabytes(size)),
			"Make room: on a full disk trends go first, then other events, then runs, alarm events last.")
	default:
		in.well("disk", "%s of %s are free, the store takes %s.", megabytes(free), megabytes(total), megabytes(size))
	}
	in.writeSpeed(there)
	in.wear(there)
}

// recording says what only the running agent knows: it is shut in, and may not
// write where this process may.
func (in *inspection) recording(r *runningAgent) {
	if r.figures["strokebank_history_failing"] > 0 {
		in.add(attention, "history, running agent", "The running agent cannot write its history: what happens is kept in memory alone.",
			"Look at its log for the cause; where history.dir is a directory of your own, name it in ReadWritePaths= of the service (configs/reference.md, history).")
	}
}

// writeSpeed measures what an event costs: a small write that is synced, in a
// file of its own beside the store.
func (in *inspection) writeSpeed(dir string) {
	times, err := syncedWrites(dir, 7)
	switch {
	case errors.Is(err, fs.ErrPermission):
		in.add(notSeen, "disk writes", "This user may not write in "+dir+", so it was not measured.", "Run inspect as the service's user.")
	case err != nil:
		in.add(attention, "disk writes", fmt.Sprintf("A small file cannot be written: %v.", err), "Make room, or look at the disk (dmesg): what happens now is kept in memory alone.")
	case times[len(times)/2] > slowestSync:
		in.add(attention, "disk writes", fmt.Sprintf("A synced write takes %v, the longest %v.", times[len(times)/2], times[len(times)-1]),
			"Look at the disk (dmesg) and at what else writes: worn flash pauses for seconds. Replace the card before it fails.")
	default:
		in.well("disk writes", "A synced write takes %v, the longest of %d %v.", times[len(times)/2], len(times), times[len(times)-1])
	}
}

// syncedWrites times n writes of 4 kB, the quickest first. Its file goes again.
func syncedWrites(dir string, n int) (times []time.Duration, err error) {
	f, err := os.CreateTemp(dir, ".inspect-*")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	for range n {
		began := time.Now()
		if _, err := f.WriteAt(make([]byte, 4096), 0); err != nil {
			return nil, err
		}
		if err := f.Sync(); err != nil {
			return nil, err
		}
		times = append(times, time.Since(began).Round(10*time.Microsecond))
	}
	slices.Sort(times)
	return times, nil
}

// wear says what the kernel tells of the flash: used is the part of its life
// that is spent, spare what is left of the reserve blocks (JEDEC JESD84-B51,
// fields DEVICE_LIFE_TIME_EST and PRE_EOL_INFO).
func (in *inspection) wear(dir string) {
	w, ok := flashWear(in.senses.sysfs, dir)
	switch {
	case !ok:
		in.well("disk wear", "The kernel tells nothing of this disk's wear.")
	case w.spare > 1 || w.used >= 9:
		in.add(attention, "disk wear", fmt.Sprintf("The flash says that %s is spent, and its spare blocks are %s.", w.life(), w.spares()),
			"Replace it: back the store up with strokebank backup first.")
	default:
		in.well("disk wear", "The flash says that %s is spent, and its spare blocks are %s.", w.life(), w.spares())
	}
}

// flash is what an eMMC says of itself.
type flash struct {
	used  int64 // 1: up to 10 % of its life, ... 10: up to 100 %, 11: more
	spare int64 // 1: normal, 2: 80 % of the spare blocks used, 3: 90 %
}

func (f flash) life() string {
	if f.used > 10 {
		return "more than its whole life"
	}
	return fmt.Sprintf("%d to %d %% of its life", 10*max(f.used-1, 0), 10*f.used)
}

func (f flash) spares() string {
	switch f.spare {
	case 1:
		return "plenty"
	case 2:
		return "80 % used"
	case 3:
		return "90 % used"
	}
	return "not told"
}

// readFlash reads the two fields that the kernel shows of an eMMC.
func readFlash(device string) (f flash, ok bool) {
	life, err := os.ReadFile(filepath.Join(device, "life_time"))
	if err != nil {
		return f, false
	}
	var a, b int64
	if n, _ := fmt.Sscanf(string(life), "0x%x 0x%x", &a, &b); n != 2 || a|b == 0 {
		return f, false
	}
	f.used = max(a, b)
	if spare, err := os.ReadFile(filepath.Join(device, "pre_eol_info")); err == nil {
		fmt.Sscanf(string(spare), "0x%x", &f.spare)
	}
	return f, true
}

// storeSize is what all files of the store take.
func storeSize(dir string) (n int64) {
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		if info, err := e.Info(); err == nil && info.Mode().IsRegular() {
			n += info.Size()
		}
	}
	return n
}

func megabytes(n int64) string {
	if n >= 10e9 {
		return fmt.Sprintf("%.0f GB", float64(n)/1e9)
	}
	return fmt.Sprintf("%.*f MB", map[bool]int{true: 1}[n < 10e6], math.Max(float64(n)/1e6, 0))
}
