package recording

import (
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
)

// fileName is the number of a file, which rises through a directory whatever
// the clock does, and the unit.
var fileName = regexp.MustCompile(`^([0-9]{8,})-(.+)\.recording$`)

// File is one file of a recording.
type File struct {
	Path   string
	Unit   string
	Number uint64
	Size   int64
}

// Files lists the recordings in a directory, in the order in which they were
// made.
func Files(dir string) ([]File, error) {
	list, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var files []File
	for _, d := range list {
		m := fileName.FindStringSubmatch(d.Name())
		if m == nil || !d.Type().IsRegular() {
			continue
		}
		number, err := strconv.ParseUint(m[1], 10, 64)
		unit, unitErr := url.PathUnescape(m[2])
		info, infoErr := d.Info()
		if err != nil || unitErr != nil || infoErr != nil {
			continue // it is none of ours, or has just gone
		}
		files = append(files, File{filepath.Join(dir, d.Name()), unit, number, info.Size()})
	}
	slices.SortFunc(files, func(a, b File) int {
		if a.Number < b.Number {
			return -1
		}
		return 1
	})
	return files, nil
}

// shelf gives names to files and keeps their sum within bounds. One goroutine.
type shelf struct {
	dir  string
	most int64
	last uint64
}

func openShelf(dir string, most int64) (*shelf, error) {
	files, err := Files(dir)
	if err != nil {
		return nil, err
	}
	s := &shelf{dir: dir, most: most}
	if n := len(files); n > 0 {
		s.last = files[n-1].Number
	}
	return s, nil
}

// next makes room for a new file and gives its path. The newest file of each
// unit stays: it may be under way.
func (s *shelf) next(unit string) (string, error) {
	files, err := Files(s.dir)
	if err != nil {
		return "", err
	}
	sum := int64(0)
	newest := map[string]uint64{}
	for _, f := range files {
		sum += f.Size
		newest[f.Unit] = f.Number
	}
	for _, f := range files {
		if sum <= s.most {
			break
		}
		if newest[f.Unit] == f.Number && f.Unit != unit {
			continue
		}
		if err := os.Remove(f.Path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
		sum -= f.Size
	}
	s.last++
	return filepath.Join(s.dir, fmt.Sprintf("%08d-%s.recording", s.last, url.PathEscape(unit))), nil
}
