package sensors

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// openPort opens a serial port for binary data at the line's settings, and for
// nobody else. The port waits in the runtime's poller, so that reads have
// deadlines and a port that vanishes ends them.
func openPort(path string, l Line) (port, error) {
	// Without O_NONBLOCK the open would wait for a carrier that a two-wire line
	// does not have.
	file, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	raw, err := file.SyscallConn()
	if err == nil {
		failed := raw.Control(func(fd uintptr) { err = setLine(int(fd), l) })
		if err == nil {
			err = failed
		}
	}
	if err != nil {
		file.Close()
		return nil, fmt.Errorf("serial port %s: %w", path, err)
	}
	return serialPort{file}, nil
}

// setLine follows termios(3) and ioctl_tty(2).
func setLine(fd int, l Line) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err != nil {
		return err // not a serial port
	}
	if err := unix.IoctlSetInt(fd, unix.TIOCEXCL, 0); err != nil {
		return err
	}
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | unix.BOTHER
	t.Ispeed, t.Ospeed = uint32(l.Baud), uint32(l.Baud)
	if l.StopBits == 2 {
		t.Cflag |= unix.CSTOPB
	}
	if l.Parity != NoParity {
		t.Cflag |= unix.PARENB
		t.Iflag |= unix.INPCK // a character with wrong parity becomes 0, and the checksum wrong
	}
	if l.Parity == OddParity {
		t.Cflag |= unix.PARODD
	}
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS2, t); err != nil {
		return err
	}
	got, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err != nil {
		return err
	}
	// A driver may take what it cannot do and do something near it.
	if off := int(got.Ospeed) - l.Baud; off*50 > l.Baud || off*50 < -l.Baud {
		return fmt.Errorf("%d baud asked for, %d given", l.Baud, got.Ospeed)
	}
	return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH)
}

type serialPort struct{ *os.File }

// Close gives the port free for others.
func (p serialPort) Close() error {
	if raw, err := p.SyscallConn(); err == nil {
		raw.Control(func(fd uintptr) { unix.IoctlSetInt(int(fd), unix.TIOCNXCL, 0) })
	}
	return p.File.Close()
}
