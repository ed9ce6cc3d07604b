package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// kernel is the kernel's name and release.
func kernel() string {
	var u unix.Utsname
	if unix.Uname(&u) != nil {
		return "an unknown kernel"
	}
	text := func(b []byte) string { s, _, _ := strings.Cut(string(b), "\x00"); return s }
	return text(u.Sysname[:]) + " " + text(u.Release[:])
}

// timeKept is what the kernel says of its clock.
type timeKept struct {
	known, synchronised bool
	within              time.Duration // its bound of the error
}

// kernelTime is adjtimex(2).
func kernelTime() timeKept {
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return timeKept{}
	}
	return timeKept{known: true, synchronised: t.Status&unix.STA_UNSYNC == 0, within: time.Duration(t.Maxerror) * time.Microsecond}
}

// freeSpace is what this process may still write under dir, and the whole, bytes.
func freeSpace(dir string) (free, total int64, err error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), int64(s.Blocks) * int64(s.Bsize), nil
}

// blockOf is the number of the device under dir, as the kernel writes it.
func blockOf(dir string) (string, bool) {
	var s unix.Stat_t
	if unix.Stat(dir, &s) != nil {
		return "", false
	}
	return fmt.Sprintf("%d:%d", unix.Major(uint64(s.Dev)), unix.Minor(uint64(s.Dev))), true
}

// flashWear finds the flash under dir: the device's number leads to the
// partition, and that, one folder up, to the whole.
func flashWear(sysfs, dir string) (flash, bool) {
	number, ok := blockOf(dir)
	if !ok {
		return flash{}, false
	}
	place, err := filepath.EvalSymlinks(sysfs + "/dev/block/" + number)
	if err != nil {
		return flash{}, false
	}
	for _, block := range []string{place, filepath.Dir(place)} {
		if f, ok := readFlash(filepath.Join(block, "device")); ok {
			return f, true
		}
	}
	return flash{}, false
}
