package dashboard

import (
	"errors"
	"net"
	"time"

	"golang.org/x/sys/unix"
)

// forget has the system forget, after d, what a reader does not take: also of
// an answer whose connection the agent has closed, which the system would
// hold for minutes more, counted by nobody (tcp(7), TCP_USER_TIMEOUT).
func forget(c *net.TCPConn, d time.Duration) error {
	raw, err := c.SyscallConn()
	if err != nil {
		return err
	}
	var set error
	err = raw.Control(func(fd uintptr) {
		set = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(d.Milliseconds()))
	})
	return errors.Join(err, set)
}
