package sensors

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"net"
	"os"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

// The example frames of the MODBUS Application Protocol Specification V1.1b3,
// clauses 6.1 to 6.4, byte for byte. What its captions call output 20 has the
// address 19.
func TestExampleFrames(t *testing.T) {
	bits := func(table register.Table, first, n int) []Point {
		var points []Point
		for i := range n {
			points = append(points, Point{ID: signal.ID(fmt.Sprint("bit", i)), Link: "panel", Device: 1,
				Spec: register.Spec{Table: table, Address: uint16(first + i), Unit: signal.Boolean}})
		}
		return points
	}
	numbers := func(table register.Table, first, n int) []Point {
		points := bits(table, first, n)
		for i := range points {
			points[i].Spec.Format, points[i].Spec.Unit = register.Uint16, signal.Count
		}
		return points
	}
	tests := []struct {
		name, ask, answer string
		points            []Point
		want              []float64
	}{
		{"read coils", "0100130013", "0103CD6B05", bits(register.Coils, 0x13, 0x13),
			[]float64{1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1}},
		{"read discrete inputs", "0200C40016", "0203ACDB35", bits(register.DiscreteInputs, 0xC4, 0x16),
			[]float64{0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1}},
		{"read holding registers", "03006B0003", "0306022B00000064", numbers(register.HoldingRegisters, 0x6B, 3), []float64{555, 0, 100}},
		{"read input registers", "0400080001", "0402000A", numbers(register.InputRegisters, 8, 1), []float64{10}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			ask, answer := unhex(t, tt.ask), unhex(t, tt.answer)
			server := serve(t, func(c net.Conn, r request) bool {
				if !bytes.Equal(r.pdu, ask) {
					t.Errorf("asked % X, want % X", r.pdu, ask)
				}
				c.Write(frame(r.txn, r.unit, answer...))
				return true
			})
			r := start(t, []Link{linkTo("panel", server.address())}, clockNow(), map[string][]Point{"AU-7": tt.points})
			s := r.await("AU-7", "good", func(s signal.Scan) bool { return s.Readings[0].Quality == signal.Good }, nil)
			for i, want := range tt.want {
				if got := s.Readings[i]; got.Quality != signal.Good || got.Value != want {
					t.Errorf("%d: got %+v, want %v", i, got, want)
				}
			}
		})
	}
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The raw server fails a test on any other function code; here all four go
// over the wire, and all of them in each kind of trouble.
func TestOnlyFunctionCodes1To4(t *testing.T) {
	troubles := map[string]behaviour{
		"none": answering(same(1)), "exception": except(2), "silence": silent,
		"closing": func(net.Conn, request) bool { return false },
	}
	for name, act := range troubles {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			server := serve(t, answering(same(1)))
			var points []Point
			for table := register.Coils; table <= register.InputRegisters; table++ {
				for _, addr := range []uint16{3, 4, 9, 700} {
					p := at(table, addr, register.Bit)
					p.Spec.Unit = signal.Boolean
					points = append(points, p)
				}
			}
			link := linkTo("panel", server.address())
			r := start(t, []Link{link}, clockNow(), map[string][]Point{"AU-7": points})
			for range 2 {
				r.next("AU-7")
			}
			server.become(act)
			for range 6 {
				r.next("AU-7")
			}
			Read(r.ctx, link, points[:4], clockNow())
			codes := make(map[byte]int)
			for _, req := range server.seen() {
				codes[req.code]++
			}
			if len(codes) != 4 || codes[1] == 0 || codes[2] == 0 || codes[3] == 0 || codes[4] == 0 {
				t.Errorf("function codes seen: %v", codes)
			}
		})
	}
}

// The interface in front of the client has no way to write, and the client is
// named in one file only.
func TestNoWriteInReach(t *testing.T) {
	face := reflect.TypeFor[readOnly]()
	for m := range face.NumMethod() {
		name := face.Method(m).Name
		if !strings.HasPrefix(name, "Read") && name != "Close" && name != "SetUnitId" {
			t.Errorf("the interface has %s", name)
		}
	}
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	var writes []string
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		checked++
		tree, err := parser.ParseFile(token.NewFileSet(), f.Name(), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, i := range tree.Imports {
			if strings.Contains(i.Path.Value, "modbus") && f.Name() != "wire.go" {
				t.Errorf("%s imports the client", f.Name())
			}
		}
		ast.Inspect(tree, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok && strings.HasPrefix(s.Sel.Name, "Write") {
				writes = append(writes, f.Name()+" "+s.Sel.Name)
			}
			return true
		})
	}
	// A line gets what askFrame makes, which knows four function codes; the other
	// write goes into a hash.
	if got, want := strings.Join(writes, ", "), "line.go Write, owner.go Write"; got != want {
		t.Errorf("writes in %s, want %s", got, want)
	}
	if checked < 5 {
		t.Errorf("only %d files checked", checked)
	}
}

func TestFaultOf(t *testing.T) {
	tests := []struct {
		err  error
		want fault
	}{
		{nil, noFault},
		{modbus.ErrRequestTimedOut, timedOut},
		{modbus.ErrProtocolError, garbled},
		{modbus.ErrBadUnitId, garbled},
		{errShort, garbled},
		{net.ErrClosed, broken},
		{errors.New("unknown exception code (122)"), refused},
		{modbus.ErrServerDeviceBusy, refused},
		{fmt.Errorf("wrapped: %w", modbus.ErrIllegalDataAddress), notHere},
		{modbus.ErrIllegalFunction, notHere},
		{modbus.ErrGWTargetFailedToRespond, unreachable},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprint(tt.err), func(t *testing.T) {
			if got := faultOf(tt.err); got != tt.want {
				t.Errorf("got %d, want %d", got, tt.want)
			}
		})
	}
}

// Not-a-number and infinities in float registers are bad, through the wire.
func TestFloatsThatAreNoNumbers(t *testing.T) {
	words := map[uint16]uint16{}
	put := func(addr uint16, v float32) {
		words[addr], words[addr+1] = uint16(math.Float32bits(v)>>16), uint16(math.Float32bits(v))
	}
	put(0, float32(math.NaN()))
	put(2, float32(math.Inf(1)))
	put(4, float32(math.Inf(-1)))
	put(6, 8.25)
	server := serve(t, answering(func(addr uint16) uint16 { return words[addr] }))
	var points []Point
	for addr := uint16(0); addr <= 6; addr += 2 {
		points = append(points, at(register.HoldingRegisters, addr, register.Float32))
	}
	r := start(t, []Link{linkTo("panel", server.address())}, clockNow(), map[string][]Point{"AU-7": points})
	r.await("AU-7", "judged", all(isBad(0, signal.Implausible), isBad(1, signal.Implausible),
		isBad(2, signal.Implausible), reads(3, 8.25)), nil)
}

// Read gives raw beside engineering value, and what failed in its place.
func TestRead(t *testing.T) {
	good := answering(func(addr uint16) uint16 { return addr })
	var torn atomic.Int64 // the connection that owes the end of an answer
	server := serve(t, func(c net.Conn, r request) bool {
		switch r.addr {
		case 50:
			return except(2)(c, r)
		case 60:
			answer := frame(r.txn, r.unit, payload(r, same(poison))...)
			c.Write(answer[:len(answer)-1])
			torn.Store(int64(r.conn))
			return true
		}
		if int64(r.conn) == torn.Load() {
			c.Write([]byte{poison % 256}) // the end of it, late
		}
		return good(c, r)
	})
	link := linkTo("panel", server.address())
	link.OneBased, link.Timeout, link.Period = true, 300*time.Millisecond, time.Second
	number := at(register.HoldingRegisters, 12000, register.Uint16)
	number.Spec.RawLow, number.Spec.RawHigh, number.Spec.High = 4000, 20000, 16e5
	number.Spec.Current, number.Spec.Unit = true, signal.Pascal
	contact := at(register.DiscreteInputs, 7, register.Bit)
	contact.Spec.Unit, contact.Spec.Invert = signal.Boolean, true
	points := []Point{number, at(register.InputRegisters, 50, register.Int16), at(register.HoldingRegisters, 60, register.Int16),
		contact, at(register.HoldingRegisters, 1, register.Uint32)}
	samples, err := Read(context.Background(), link, points, clockNow())
	if err != nil || len(samples) != 5 {
		t.Fatalf("%d samples, %v", len(samples), err)
	}
	want := []string{
		"holding register 12001|0x2EE0|12000|800000 good ",
		"input register 51|||0 bad device answered with an exception",
		"holding register 61|||0 bad device does not answer",
		"discrete input 8|1|1|0 good ",
		"holding registers 2 to 3|0x0001 0x0002|65538|65538 good ",
	}
	for i, s := range samples {
		got := fmt.Sprintf("%s|%s|%s|%v %v %v", s.Place, s.Words, s.Raw, s.Reading.Value, s.Reading.Quality, s.Reading.Reason)
		if got != want[i] {
			t.Errorf("%d: got %s, want %s", i, got, want[i])
		}
	}
	if e := samples[1].Err; !errors.Is(e, modbus.ErrIllegalDataAddress) || !strings.Contains(e.Error(), "device 1: input register 51") {
		t.Errorf("error %v", e)
	}
	for i, r := range server.seen() {
		if int(r.addr) != int(points[i].Spec.Address) || int(r.count) != points[i].Spec.Width() {
			t.Errorf("request %d: %d registers at %d", i, r.count, r.addr)
		}
	}
}

func TestReadWithAnUntrustedClock(t *testing.T) {
	server := serve(t, answering(same(before)))
	clock := clockNow()
	clock.untrusted = true
	link := linkTo("panel", server.address())
	link.Timeout, link.Period = time.Second, 2*time.Second
	samples, err := Read(context.Background(), link, []Point{word("level", "panel", 1, 1)}, clock)
	if err != nil || len(samples) != 1 || samples[0].Reading.Reason != signal.ClockUntrusted {
		t.Errorf("got %+v, %v", samples, err)
	}
}

func TestReadOfADeadLink(t *testing.T) {
	samples, err := Read(context.Background(), linkTo("panel", deadAddress(t)), []Point{word("level", "panel", 1, 1), word("pressure", "panel", 1, 2)}, clockNow())
	if err == nil || !strings.Contains(err.Error(), "link panel") {
		t.Errorf("error %v", err)
	}
	if len(samples) != 2 || samples[1].Reading.Reason != signal.LinkLost || samples[1].Err == nil {
		t.Errorf("samples %+v", samples)
	}
}

// deadAddress is a loopback address where nobody listens.
func deadAddress(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
