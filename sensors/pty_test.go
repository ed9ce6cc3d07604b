package sensors

import (
	"io"
	"os"
	"strconv"
	"testing"

	"golang.org/x/sys/unix"
)

// pseudoTerminal is a serial port without hardware: what is written to near
// comes out of the device at path, and back.
func pseudoTerminal(t testing.TB) (near *os.File, path string) {
	t.Helper()
	near, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { near.Close() })
	raw, err := near.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var number int
	raw.Control(func(fd uintptr) {
		if err = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); err == nil {
			number, err = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return near, "/dev/pts/" + strconv.Itoa(number)
}

// nullModem is two serial ports with a cable between them.
func nullModem(t testing.TB) (one, other string) {
	t.Helper()
	nearOne, one := pseudoTerminal(t)
	nearOther, other := pseudoTerminal(t)
	for _, path := range []string{one, other} {
		// Keeps the port alive and raw while nobody else has it open.
		keep, err := openPort(path, Line{Baud: 19200, StopBits: 1})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { keep.Close() })
		raw, err := keep.(serialPort).SyscallConn()
		if err != nil {
			t.Fatal(err)
		}
		raw.Control(func(fd uintptr) { unix.IoctlSetInt(int(fd), unix.TIOCNXCL, 0) })
	}
	go io.Copy(nearOne, nearOther)
	go io.Copy(nearOther, nearOne)
	return one, other
}
