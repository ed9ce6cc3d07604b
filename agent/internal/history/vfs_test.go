package history

import (
	"errors"
	"path/filepath"
	"sync"
	"testing"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// This file puts a layer between SQLite and its own file access: the unix VFS
// with a few methods replaced, so that an emulatedDisk sees each write, sync,
// truncation and deletion, and can refuse it with SQLite's own codes. The
// structures are those of sqlite3.h (sqlite3_vfs, sqlite3_io_methods).

var errRefused = errors.New("the emulated disk refused")

const vfsName = "emulated"

var layer struct {
	once    sync.Once
	base    uintptr // the unix VFS
	mu      sync.Mutex
	disks   map[string]*emulatedDisk // by directory
	files   map[uintptr]layerFile    // by sqlite3_file
	methods map[uintptr]uintptr      // patched copy by original table
}

type layerFile struct {
	disk *emulatedDisk
	name string
	base *sqlite3.Tsqlite3_io_methods
}

// emulatedVFS registers the layer once and returns its name.
func emulatedVFS() string {
	layer.once.Do(func() {
		layer.disks, layer.files = map[string]*emulatedDisk{}, map[uintptr]layerFile{}
		layer.methods = map[uintptr]uintptr{}
		tls := libc.NewTLS()
		layer.base = sqlite3.Xsqlite3_vfs_find(tls, 0)
		vfs := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_vfs{})))
		p := (*sqlite3.Tsqlite3_vfs)(pointer(vfs))
		*p = *(*sqlite3.Tsqlite3_vfs)(pointer(layer.base))
		name, err := libc.CString(vfsName)
		if err != nil {
			panic(err)
		}
		p.FzName, p.FpNext = name, 0
		p.FxOpen = cFunction(layerOpen)
		p.FxDelete = cFunction(layerDelete)
		if rc := sqlite3.Xsqlite3_vfs_register(tls, vfs, 0); rc != sqlite3.SQLITE_OK {
			panic(rc)
		}
	})
	return vfsName
}

func registerDisk(t testing.TB, d *emulatedDisk) {
	emulatedVFS()
	layer.mu.Lock()
	defer layer.mu.Unlock()
	layer.disks[d.dir] = d
	t.Cleanup(func() {
		layer.mu.Lock()
		defer layer.mu.Unlock()
		delete(layer.disks, d.dir)
	})
}

// pointer turns an address outside Go's heap into a pointer.
func pointer(address uintptr) unsafe.Pointer { return *(*unsafe.Pointer)(unsafe.Pointer(&address)) }

// cFunction is a package-level function as the translated C code calls it.
func cFunction[F any](f F) uintptr { return *(*uintptr)(unsafe.Pointer(&f)) }

// goFunction is the inverse of cFunction.
func goFunction[F any](address uintptr) F { return *(*F)(unsafe.Pointer(&address)) }

type (
	openFunc     = func(tls *libc.TLS, vfs, name, file uintptr, flags int32, outFlags uintptr) int32
	deleteFunc   = func(tls *libc.TLS, vfs, name uintptr, syncDir int32) int32
	closeFunc    = func(tls *libc.TLS, file uintptr) int32
	writeFunc    = func(tls *libc.TLS, file, data uintptr, n int32, offset int64) int32
	truncateFunc = func(tls *libc.TLS, file uintptr, size int64) int32
	syncFunc     = func(tls *libc.TLS, file uintptr, flags int32) int32
)

func layerOpen(tls *libc.TLS, _, name, file uintptr, flags int32, outFlags uintptr) int32 {
	base := (*sqlite3.Tsqlite3_vfs)(pointer(layer.base))
	rc := goFunction[openFunc](base.FxOpen)(tls, layer.base, name, file, flags, outFlags)
	if rc != sqlite3.SQLITE_OK || name == 0 {
		return rc
	}
	path := libc.GoString(name)
	layer.mu.Lock()
	defer layer.mu.Unlock()
	disk := layer.disks[filepath.Dir(path)]
	if disk == nil {
		return rc
	}
	table := (*uintptr)(pointer(file)) // sqlite3_file begins with its methods
	layer.files[file] = layerFile{disk, filepath.Base(path), (*sqlite3.Tsqlite3_io_methods)(pointer(*table))}
	*table = patchedMethods(tls, *table)
	return rc
}

// patchedMethods copies a table once and replaces what the layer watches; the
// caller holds layer.mu.
func patchedMethods(tls *libc.TLS, original uintptr) uintptr {
	if p, ok := layer.methods[original]; ok {
		return p
	}
	p := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_io_methods{})))
	m := (*sqlite3.Tsqlite3_io_methods)(pointer(p))
	*m = *(*sqlite3.Tsqlite3_io_methods)(pointer(original))
	m.FxClose = cFunction(layerClose)
	m.FxWrite = cFunction(layerWrite)
	m.FxTruncate = cFunction(layerTruncate)
	m.FxSync = cFunction(layerSync)
	layer.methods[original] = p
	return p
}

func lookUp(file uintptr) layerFile {
	layer.mu.Lock()
	defer layer.mu.Unlock()
	return layer.files[file]
}

func layerClose(tls *libc.TLS, file uintptr) int32 {
	f := lookUp(file)
	layer.mu.Lock()
	delete(layer.files, file)
	layer.mu.Unlock()
	return goFunction[closeFunc](f.base.FxClose)(tls, file)
}

func layerWrite(tls *libc.TLS, file, data uintptr, n int32, offset int64) int32 {
	f := lookUp(file)
	copied := append([]byte(nil), unsafe.Slice((*byte)(pointer(data)), n)...)
	if rc := f.disk.note(diskStep{kind: stepWrite, name: f.name, offset: offset, data: copied}); rc != 0 {
		return rc
	}
	return goFunction[writeFunc](f.base.FxWrite)(tls, file, data, n, offset)
}

func layerTruncate(tls *libc.TLS, file uintptr, size int64) int32 {
	f := lookUp(file)
	if rc := f.disk.note(diskStep{kind: stepTruncate, name: f.name, size: size}); rc != 0 {
		return rc
	}
	return goFunction[truncateFunc](f.base.FxTruncate)(tls, file, size)
}

func layerSync(tls *libc.TLS, file uintptr, flags int32) int32 {
	f := lookUp(file)
	if rc := f.disk.note(diskStep{kind: stepSync, name: f.name}); rc != 0 {
		return rc
	}
	return goFunction[syncFunc](f.base.FxSync)(tls, file, flags)
}

func layerDelete(tls *libc.TLS, _, name uintptr, syncDir int32) int32 {
	path := libc.GoString(name)
	layer.mu.Lock()
	disk := layer.disks[filepath.Dir(path)]
	layer.mu.Unlock()
	if disk != nil {
		if rc := disk.note(diskStep{kind: stepDelete, name: filepath.Base(path)}); rc != 0 {
			return rc
		}
	}
	base := (*sqlite3.Tsqlite3_vfs)(pointer(layer.base))
	return goFunction[deleteFunc](base.FxDelete)(tls, layer.base, name, syncDir)
}
