package dashboard

import (
	"fmt"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// What nobody reads is not held for long after the connection was closed.
func TestUnreadAnswersAreForgotten(t *testing.T) {
	s, err := Listen(Listening{Address: "127.0.0.1:0"}, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Connection", "close")
		_, _ = w.Write(make([]byte, sendBuffer/2))
	}))
	if err != nil {
		t.Fatal(err)
	}
	s.door.unread = 5 * time.Second
	run(t, s)
	for range 3 {
		d := net.Dialer{Control: func(_, _ string, c syscall.RawConn) error { // before it connects, so that it holds
			return c.Control(func(fd uintptr) { _ = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF, 1) })
		}}
		c, err := d.Dial("tcp", s.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		fmt.Fprint(c, "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
	}
	_, port, _ := net.SplitHostPort(s.Addr().String())
	n, _ := strconv.Atoi(port)
	closing := fmt.Sprintf(" 0100007F:%04X 0100007F:", n)
	held := func() (n int) {
		all, err := os.ReadFile("/proc/net/tcp")
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(all)) {
			if _, rest, ok := strings.Cut(line, closing); ok && rest[5:7] == "04" { // FIN-WAIT-1: closed, and not all taken
				n++
			}
		}
		return n
	}
	await(t, "they are closed and not read", func() bool { return held() > 0 && s.Stats().Connections == 0 })
	await(t, "nothing is held any more", func() bool { return held() == 0 })
}
