package simulator

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"net"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"
)

// served serves plants on loopback until the test ends, without stepping.
func served(tb testing.TB, plants ...*Plant) *Server {
	tb.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	s, err := NewServer(l, 0, plants...)
	if err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	tb.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			tb.Errorf("server ended with %v", err)
		}
	})
	return s
}

func built(tb testing.TB, b Build) *Plant {
	tb.Helper()
	p, err := New(b, 1)
	if err != nil {
		tb.Fatal(err)
	}
	return p
}

// mbpoll reads with Debian's mbpoll, a client of its own, and returns the
// values by zero-based address.
func mbpoll(t *testing.T, s *Server, args ...string) map[int]string {
	t.Helper()
	tool, err := exec.LookPath("mbpoll")
	if err != nil {
		t.Fatal("mbpoll is missing: apt-get install mbpoll")
	}
	host, port, _ := net.SplitHostPort(s.Addr().String())
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	args = append([]string{"-m", "tcp", "-p", port, "-0", "-1", "-o", "5"}, append(args, host)...)
	out, err := exec.CommandContext(ctx, tool, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("mbpoll %v: %v\n%s", args, err, out)
	}
	values := map[int]string{}
	for line := range strings.Lines(string(out)) {
		head, value, ok := strings.Cut(strings.TrimSpace(line), "]:")
		address, err := strconv.Atoi(strings.TrimPrefix(head, "["))
		if ok && err == nil {
			// A value over 32767 is followed by its negative in brackets.
			values[address] = strings.Fields(value)[0]
		}
	}
	return values
}

func TestMbpollReadsTheUnit(t *testing.T) {
	p := built(t, QuillenReach())
	p.Step(time.Second)
	p.panel.starts[1] = 70000
	s := served(t, p)
	image := p.Image()
	registers := mbpoll(t, s, "-a", "7", "-t", "3", "-r", "0", "-c", "4")
	for a := range 4 {
		if want := strconv.Itoa(int(image.Words[4][uint16(a)])); registers[a] != want {
			t.Errorf("input register %d: mbpoll %q, plant %s", a, registers[a], want)
		}
	}
	wall, err := strconv.ParseFloat(mbpoll(t, s, "-a", "7", "-t", "3:float", "-B", "-r", "12", "-c", "1")[12], 64)
	if want := p.sensors.all[atWallTemperature].value - 273.15; err != nil || math.Abs(wall-want) > 1e-3 {
		t.Errorf("wall temperature: mbpoll %v (%v), plant %v", wall, err, want)
	}
	if got := mbpoll(t, s, "-a", "7", "-t", "4:int", "-r", "104", "-c", "1")[104]; got != "70000" {
		t.Errorf("start counter of pump2, low word first: mbpoll %q, want 70000", got)
	}
	inputs := mbpoll(t, s, "-a", "7", "-t", "1", "-r", "16", "-c", "2")
	if inputs[16] != "1" || inputs[17] != "0" {
		t.Errorf("XV-1 stands open, mbpoll says open %s closed %s", inputs[16], inputs[17])
	}
	if got := mbpoll(t, s, "-a", "7", "-t", "0", "-r", "0", "-c", "4"); len(got) != 4 {
		t.Errorf("coils: mbpoll got %v", got)
	}
}

// ask sends one PDU and returns the PDU that answers it.
func ask(tb testing.TB, conn net.Conn, unit byte, pdu ...byte) []byte {
	tb.Helper()
	frame := append([]byte{0x12, 0x34, 0, 0, 0, byte(len(pdu) + 1), unit}, pdu...)
	if _, err := conn.Write(frame); err != nil {
		tb.Fatal(err)
	}
	head := make([]byte, 7)
	if _, err := io.ReadFull(conn, head); err != nil {
		tb.Fatal(err)
	}
	if head[0] != 0x12 || head[1] != 0x34 || head[6] != unit {
		tb.Fatalf("answer's header % x does not fit the request", head)
	}
	body := make([]byte, binary.BigEndian.Uint16(head[4:])-1)
	if _, err := io.ReadFull(conn, body); err != nil {
		tb.Fatal(err)
	}
	return body
}

func dial(tb testing.TB, s *Server) net.Conn {
	tb.Helper()
	conn, err := net.Dial("tcp", s.Addr().String())
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { conn.Close() })
	conn.SetDeadline(time.Now().Add(20 * time.Second))
	return conn
}

func TestAnswers(t *testing.T) {
	s := served(t, built(t, QuillenReach()), built(t, DunmorrowFlats()))
	tests := []struct {
		name string
		unit byte
		pdu  []byte
		want []byte // prefix
	}{
		{"input registers", 7, []byte{4, 0, 0, 0, 4}, []byte{4, 8}},
		{"other unit on the link", 2, []byte{3, 0, 40, 0, 1}, []byte{3, 2}},
		{"hole", 2, []byte{3, 0, 40, 0, 3}, []byte{0x83, 2}},
		{"discrete inputs", 2, []byte{2, 0, 8, 0, 4}, []byte{2, 1, 0}},
		{"beyond the last address", 7, []byte{4, 0xff, 0xff, 0, 2}, []byte{0x84, 2}},
		{"no registers", 7, []byte{4, 0, 0, 0, 0}, []byte{0x84, 3}},
		{"126 registers", 7, []byte{4, 0, 0, 0, 126}, []byte{0x84, 3}},
		{"2001 bits", 7, []byte{2, 0, 0, 7, 0xd1}, []byte{0x82, 3}},
		{"short request", 7, []byte{4, 0, 0}, []byte{0x84, 3}},
		{"nobody there", 9, []byte{4, 0, 0, 0, 1}, []byte{0x84, 0x0b}},
		{"write of a coil", 7, []byte{5, 0, 0, 0xff, 0}, []byte{0x85, 1}},
		{"write of a register", 7, []byte{6, 0, 0, 0, 1}, []byte{0x86, 1}},
		{"read of a device's identity", 7, []byte{0x2b, 0x0e, 1, 0}, []byte{0xab, 1}},
	}
	conn := dial(t, s)
	for _, tt := range tests {
		if got := ask(t, conn, tt.unit, tt.pdu...); len(got) < len(tt.want) || string(got[:len(tt.want)]) != string(tt.want) {
			t.Errorf("%s: answer % x, want % x…", tt.name, got, tt.want)
		}
	}
	if s.Refused() != 3 || s.Answered() != 3 {
		t.Errorf("counted %d refused, %d answered; want 3 and 3", s.Refused(), s.Answered())
	}
}

func TestLinkLostStaysSilentAndComesBack(t *testing.T) {
	p := built(t, QuillenReach())
	s := served(t, p)
	conn := dial(t, s)
	if err := p.Set("link_lost", 1); err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Write([]byte{0, 1, 0, 0, 0, 6, 7, 4, 0, 0, 0, 1}); err != nil {
		t.Fatal(err)
	}
	// A second unit-less request is answered in order, so its answer arriving
	// first proves that the first was not answered.
	if got := ask(t, conn, 99, 4, 0, 0, 0, 1); got[0] != 0x84 {
		t.Errorf("a lost link answered % x", got)
	}
	p.Set("link_lost", 0)
	if got := ask(t, conn, 7, 4, 0, 0, 0, 1); got[0] != 4 {
		t.Errorf("regained link answered % x", got)
	}
}

func TestStepsFaultsAndReadsMayRunTogether(t *testing.T) {
	p := built(t, QuillenReach())
	conn := dial(t, served(t, p))
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := range 200 {
			p.Step(time.Second)
			p.Set("pump1.weak", float64(i%2))
			p.Shutdown()
			p.Drain()
		}
	}()
	for range 200 {
		ask(t, conn, 7, 4, 0, 0, 0, 4)
		p.Truth()
	}
	<-done
}

func TestServerBoundsItsClients(t *testing.T) {
	s := served(t, built(t, QuillenReach()))
	for range maxClients {
		ask(t, dial(t, s), 7, 4, 0, 0, 0, 1)
	}
	if _, err := dial(t, s).Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
		t.Errorf("client %d got %v, want the end of the connection", maxClients+1, err)
	}
}

func TestServerHangsUpOnAForeignFrame(t *testing.T) {
	s := served(t, built(t, QuillenReach()))
	for name, frame := range map[string][]byte{
		"other protocol": {0, 1, 0, 9, 0, 6, 7, 4, 0, 0, 0, 1},
		"no function":    {0, 1, 0, 0, 0, 1, 7},
		"too long":       {0, 1, 0, 0, 1, 0xff, 7},
	} {
		conn := dial(t, s)
		if _, err := conn.Write(frame); err != nil {
			t.Fatal(err)
		}
		if n, err := conn.Read(make([]byte, 9)); n != 0 || err == nil {
			t.Errorf("%s: answered with %d bytes", name, n)
		}
	}
}

func TestServerRefusesTwoUnitsWithOneID(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if _, err := NewServer(l, 1, built(t, QuillenReach()), built(t, QuillenReach())); err == nil {
		t.Error("two units with one id were accepted")
	}
}

func FuzzAnswer(f *testing.F) {
	// The example requests of Modbus Application Protocol V1.1b3.
	for _, pdu := range [][]byte{{1, 0, 0x13, 0, 0x13}, {2, 0, 0xc4, 0, 0x16}, {3, 0, 0x6b, 0, 3}, {4, 0, 8, 0, 1}, {0x10}} {
		f.Add(byte(7), pdu)
	}
	p, err := New(QuillenReach(), 1)
	if err != nil {
		f.Fatal(err)
	}
	s, _ := NewServer(nil, 0, p)
	f.Fuzz(func(t *testing.T, unit byte, pdu []byte) {
		if len(pdu) == 0 || len(pdu) > 253 {
			return
		}
		out, silent := s.answer(unit, pdu)
		if silent || len(out) < 2 || len(out) > 253 || out[0]&0x7f != pdu[0]&0x7f {
			t.Errorf("% x → % x, silent %v", pdu, out, silent)
		}
		if out[0] < 0x80 && (out[0] < 1 || out[0] > 4) {
			t.Errorf("% x was carried out: % x", pdu, out)
		}
	})
}
