package history

import (
	"errors"
	"os"
	"path/filepath"
)

// file is what the two-slot files need of a file; *diskFile, or a test's.
type file interface {
	ReadAt(p []byte, off int64) (int, error)
	WriteAt(p []byte, off int64) (int, error)
	Datasync() error
	Close() error
}

// diskFile is a file on the disk.
type diskFile struct{ *os.File }

// Datasync makes the content durable.
func (f diskFile) Datasync() error { return datasync(f.File) }

// openFixed opens a file of exactly size bytes, made and synced with its
// directory before it is first used. The bytes are really written: a hole
// would need space at the moment when there is none.
func openFixed(path string, size int64) (file, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := fill(f, size); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return diskFile{f}, nil
}

func fill(f *os.File, size int64) error {
	info, err := f.Stat()
	if err != nil || info.Size() == size {
		return err
	}
	if info.Size() > size {
		return f.Truncate(size)
	}
	if _, err := f.WriteAt(make([]byte, size-info.Size()), info.Size()); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	return syncDir(filepath.Dir(f.Name()))
}

// syncDir makes the names in a directory durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
