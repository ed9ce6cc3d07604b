package uplink

import (
	"bytes"
	"net"
	"testing"
	"time"
)

// Any bytes of a peer end in an answer or an error, never in a panic, and a
// length is read as it is written (MQTT 5, section 1.5.5, table 1-1).
func FuzzTalk(f *testing.F) {
	f.Add([]byte{0x20, 3, 0, 0, 0})
	f.Add([]byte{0x20, 2, 0, 1})
	f.Add([]byte{0xe0, 2, 0x8b, 0})
	f.Add([]byte{0x20, 0xff, 0xff, 0xff, 0xff, 0x7f})
	f.Add([]byte{0x40, 4, 0, 1, 0x87, 0})
	f.Fuzz(func(t *testing.T, answer []byte) {
		near, far := net.Pipe()
		defer near.Close()
		go func() {
			buf := make([]byte, 1024)
			far.Read(buf)
			far.Write(answer)
			far.Close()
		}()
		near.SetDeadline(time.Now().Add(10 * time.Second))
		talk := talk{conn: near, level: 5}
		_ = talk.logIn("gateway", "secret")
	})
}

func TestLength(t *testing.T) {
	for n, want := range map[int][]byte{0: {0}, 127: {0x7f}, 128: {0x80, 0x01}, 16383: {0xff, 0x7f}, 16384: {0x80, 0x80, 0x01}, 2097151: {0xff, 0xff, 0x7f}} {
		if got := length(n); !bytes.Equal(got, want) {
			t.Errorf("%d is written % x, want % x", n, got, want)
		}
	}
}
