package history

import (
	"errors"
	"os"
	"path/filepath"
)

// ballast is a file that holds space on the disk until events need it.
type ballast struct {
	path string
	size int64 // bytes; not positive: none is wanted
	held bool
}

// restore takes the space, if the disk has twice as much to spare, so that
// the ballast itself never makes the disk full. It is no error that there is
// not enough: it is tried again later.
func (b *ballast) restore(dir string) error {
	if b.size <= 0 || b.held {
		return nil
	}
	if info, err := os.Stat(b.path); err == nil && info.Size() == b.size {
		b.held = true
		return nil
	}
	if free, err := freeBytes(dir); err != nil || free < 2*b.size {
		return err
	}
	f, err := os.OpenFile(b.path, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	err = errors.Join(allocate(f, b.size), f.Sync(), f.Close())
	if err != nil {
		return errors.Join(err, os.Remove(b.path))
	}
	b.held = true
	return nil
}

// release gives the space back and says whether there was any.
func (b *ballast) release() bool {
	b.held = false
	if os.Remove(b.path) != nil {
		return false
	}
	// Some file systems hand freed blocks out only after the next sync.
	_ = syncDir(filepath.Dir(b.path))
	return true
}

// missing says that space is wanted and not held.
func (b *ballast) missing() bool { return b.size > 0 && !b.held }
