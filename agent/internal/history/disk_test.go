package history

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

// emulatedDisk notes every change to the files of one directory, and whether
// it was synced, so that the directory can be rebuilt as a power cut would
// have left it. It can also refuse changes.
type emulatedDisk struct {
	dir string

	mu    sync.Mutex
	steps []diskStep
	// refuse answers SQLite's code for a change that the disk does not take;
	// 0 lets it pass. It may be nil.
	refuse func(diskStep) int32
}

type stepKind int

const (
	stepWrite stepKind = iota
	stepTruncate
	stepSync
	stepDelete
	stepAcknowledged // the program told somebody: number says what
)

type diskStep struct {
	kind   stepKind
	name   string // of the file in dir; of what was acknowledged
	offset int64
	data   []byte
	size   int64
	number uint64
}

// newDisk is an emulated disk under a fresh directory, already reachable for
// SQLite by its path.
func newDisk(t testing.TB) *emulatedDisk {
	t.Helper()
	d := &emulatedDisk{dir: t.TempDir()}
	registerDisk(t, d)
	return d
}

func (d *emulatedDisk) options() Options {
	return Options{Dir: d.dir, Agent: "gw1", vfs: emulatedVFS(), openFile: d.openFile, Reserve: -1}
}

// note takes a change down, or refuses it.
func (d *emulatedDisk) note(s diskStep) int32 {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.refuse != nil {
		if code := d.refuse(s); code != 0 {
			return code
		}
	}
	d.steps = append(d.steps, s)
	return 0
}

func (d *emulatedDisk) acknowledge(what string, number uint64) {
	d.note(diskStep{kind: stepAcknowledged, name: what, number: number})
}

func (d *emulatedDisk) setRefuse(f func(diskStep) int32) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.refuse = f
}

// acknowledged is the highest number of that kind told before the cut.
func (d *emulatedDisk) acknowledged(what string, cut int) (highest uint64) {
	for _, s := range d.steps[:cut] {
		if s.kind == stepAcknowledged && s.name == what {
			highest = max(highest, s.number)
		}
	}
	return highest
}

// cutInto writes the directory as a power cut before step cut leaves it:
// everything synced, and of the rest what luck decides. With a nil luck
// nothing that was not synced is left.
func (d *emulatedDisk) cutInto(t testing.TB, dir string, cut int, luck *rand.Rand) {
	t.Helper()
	durable, waiting := map[string][]byte{}, map[string][]diskStep{}
	removed := map[string]bool{} // names taken from the directory without a sync of it
	for _, s := range d.steps[:cut] {
		switch s.kind {
		case stepSync:
			if _, known := durable[s.name]; !known || removed[s.name] {
				// SQLite syncs the directory with the first sync of a new log.
				for name := range removed {
					delete(durable, name)
				}
				clear(removed)
			}
			durable[s.name] = apply(durable[s.name], waiting[s.name])
			delete(waiting, s.name)
		case stepWrite, stepTruncate:
			waiting[s.name] = append(waiting[s.name], s)
		case stepDelete:
			removed[s.name] = true
			delete(waiting, s.name)
		}
	}
	for name := range removed {
		if luck != nil && luck.IntN(2) == 0 {
			delete(durable, name)
		}
	}
	for name, steps := range waiting {
		if luck == nil {
			continue
		}
		steps = slices.DeleteFunc(steps, func(diskStep) bool { return luck.IntN(2) == 0 })
		for i := range steps {
			if n := len(steps[i].data) / 512; n > 0 && luck.IntN(3) == 0 {
				steps[i].data = steps[i].data[:512*luck.IntN(n+1)] // torn at a sector
			}
		}
		durable[name] = apply(durable[name], steps)
	}
	for name, content := range durable {
		if err := os.WriteFile(filepath.Join(dir, name), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func apply(content []byte, steps []diskStep) []byte {
	content = slices.Clone(content)
	for _, s := range steps {
		end := s.offset + int64(len(s.data))
		if s.kind == stepTruncate {
			end = s.size
		}
		if grow := end - int64(len(content)); grow > 0 {
			content = append(content, make([]byte, grow)...)
		}
		if s.kind == stepTruncate {
			content = content[:s.size]
		} else {
			copy(content[s.offset:], s.data)
		}
	}
	return content
}

// openFile is openFixed with every write and sync noted.
func (d *emulatedDisk) openFile(path string, size int64) (file, error) {
	if code := d.note(diskStep{kind: stepWrite, name: filepath.Base(path), data: make([]byte, size)}); code != 0 {
		return nil, errRefused
	}
	d.note(diskStep{kind: stepSync, name: filepath.Base(path)})
	f, err := openFixed(path, size)
	return noted{f, d, filepath.Base(path)}, err
}

type noted struct {
	file
	disk *emulatedDisk
	name string
}

func (n noted) WriteAt(p []byte, off int64) (int, error) {
	if n.disk.note(diskStep{kind: stepWrite, name: n.name, offset: off, data: slices.Clone(p)}) != 0 {
		return 0, errRefused
	}
	return n.file.WriteAt(p, off)
}

func (n noted) Datasync() error {
	if n.disk.note(diskStep{kind: stepSync, name: n.name}) != 0 {
		return errRefused
	}
	return n.file.Datasync()
}

// isDatabase says that a step concerns SQLite's files, not the preallocated
// ones.
func (s diskStep) isDatabase() bool { return strings.HasPrefix(s.name, "history.db") }
