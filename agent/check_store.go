package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"strokebank/agent/internal/history"
)

// writable says whether the history could be written by who asks; that nothing
// else would stop. The service asks within its sandbox, where most of the disk
// is read-only, and has no excuse; somebody else who only may not is no reason.
func writable(sh shell, dir string, service bool) bool {
	there := existing(dir)
	err := errors.Join(mayWrite(there), mayWrite(history.Path(dir)))
	switch {
	case err == nil:
		return true
	case errors.Is(err, fs.ErrPermission) && !service && !owns(there):
		fmt.Fprintf(sh.out, "  not tried, as only the service may write there: %v\n", err)
		return true
	}
	fmt.Fprintf(sh.out, "  the history cannot be written here: what happens is kept in memory alone, and lost with it: %v\n", err)
	return false
}

// existing is the folder itself, or the nearest one above it: the agent makes
// those that are missing.
func existing(dir string) string {
	for {
		if _, err := os.Stat(dir); !errors.Is(err, fs.ErrNotExist) || dir == filepath.Dir(dir) {
			return dir
		}
		dir = filepath.Dir(dir)
	}
}

// mayWrite asks the kernel and leaves nothing behind; what is not there can be
// made where its folder may be written.
func mayWrite(path string) error {
	const writing = 2 // access(2), W_OK
	if err := syscall.Access(path, writing); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return &fs.PathError{Op: "write", Path: path, Err: err}
	}
	return nil
}
