package main

import (
	"errors"
	"fmt"
	"io"
	"os"
)

// sink is where a table goes: a file that appears under its name only when
// it is complete, or a stream.
type sink struct {
	io.Writer
	file          *os.File // nil for a stream of somebody else's
	partial, path string   // partial is renamed to path; empty where path is no plain file
}

// newSink opens the sink at path; "-" is the standard stream.
func newSink(path string, standard io.Writer) (*sink, error) {
	if path == "-" {
		return &sink{Writer: standard}, nil
	}
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		file, err := os.OpenFile(path, os.O_WRONLY, 0)
		return &sink{Writer: file, file: file, path: path}, err
	}
	partial := fmt.Sprintf("%s.partial-%d", path, os.Getpid())
	file, err := os.OpenFile(partial, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
	return &sink{Writer: file, file: file, partial: partial, path: path}, err
}

// end closes the sink. Where the work failed, or the end fails, nothing is
// left; an older file under the name stays as it was.
func (s *sink) end(failed error) error {
	if s.file == nil {
		return failed
	}
	if s.partial == "" {
		return errors.Join(failed, s.file.Close())
	}
	if failed == nil {
		failed = s.file.Sync()
	}
	err := errors.Join(failed, s.file.Close())
	if err == nil {
		err = os.Rename(s.partial, s.path)
	}
	if err != nil {
		err = errors.Join(err, os.Remove(s.partial))
	}
	return err
}
