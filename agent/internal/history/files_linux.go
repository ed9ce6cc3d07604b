package history

import (
	"os"
	"syscall"
)

// datasync makes the content of f durable. It leaves the time stamps to the
// kernel, which saves the file system's own journal a write.
func datasync(f *os.File) error {
	for {
		if err := syscall.Fdatasync(int(f.Fd())); err != syscall.EINTR {
			return os.NewSyscallError("fdatasync", err)
		}
	}
}

// allocate takes size bytes from the disk without writing them.
func allocate(f *os.File, size int64) error {
	return os.NewSyscallError("fallocate", syscall.Fallocate(int(f.Fd()), 0, 0, size))
}

// freeBytes is the space that the disk under dir still has for this process.
func freeBytes(dir string) (int64, error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(dir, &s); err != nil {
		return 0, os.NewSyscallError("statfs", err)
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}
