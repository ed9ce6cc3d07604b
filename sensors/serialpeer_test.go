package sensors

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"testing"
	"time"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

// An independent server (Debian's python3-pymodbus) at the other end of a
// cable, and behind a converter: every table of two devices, a read that it
// refuses, and a device that is not there.
func TestIndependentSerialServer(t *testing.T) {
	t.Run("port", func(t *testing.T) {
		t.Parallel()
		one, other := nullModem(t)
		servePeer(t, other)
		readAll(t, lineTo(one, Serial))
	})
	t.Run("converter", func(t *testing.T) {
		t.Parallel()
		near, path := pseudoTerminal(t)
		servePeer(t, path)
		readAll(t, lineTo(converter(t, near), SerialOverTCP))
	})
}

// converter passes bytes between the connections to a TCP port, one after the
// other, and a serial port.
func converter(t *testing.T, near *os.File) (address string) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close() })
	go func() {
		c, err := listener.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		go io.Copy(c, near)
		io.Copy(near, c)
	}()
	return listener.Addr().String()
}

func servePeer(t *testing.T, path string) {
	peer := exec.Command("/usr/bin/python3", "../testdata/serial_peer.py", path, "19200", "4", "5")
	out, err := peer.StdoutPipe()
	if err == nil {
		err = peer.Start()
	}
	if err != nil {
		t.Fatalf("install python3-pymodbus, python3-serial and python3-serial-asyncio: %v", err)
	}
	t.Cleanup(func() {
		peer.Process.Kill()
		peer.Wait()
	})
	if line, _ := bufio.NewReader(out).ReadString('\n'); line != "listening\n" {
		t.Fatalf("install python3-pymodbus, python3-serial and python3-serial-asyncio; it said %q", line)
	}
}

func readAll(t *testing.T, link Link) {
	link.Timeout, link.Period, link.Gap = time.Second, 3*time.Second, 8
	link.Line.Baud, link.Line.WorstLatency = 19200, 500*time.Millisecond
	var points []Point
	var want []float64
	for device := uint8(4); device <= 5; device++ {
		for addr := range uint16(20) {
			points = append(points, onLine(fmt.Sprint(device, "h", addr), device, register.HoldingRegisters, addr, 1))
			want = append(want, 100*float64(device)+float64(addr))
		}
		for addr := range uint16(3) {
			points = append(points, onLine(fmt.Sprint(device, "i", addr), device, register.InputRegisters, 50+addr, 1))
			want = append(want, 1050+100*float64(device)+float64(addr))
		}
		for addr := range uint16(19) {
			for _, table := range []register.Table{register.Coils, register.DiscreteInputs} {
				p := at(table, addr, register.Bit)
				p.Device, p.Link, p.Spec.Unit, p.ID = device, "line", signal.Boolean, signal.ID(fmt.Sprint(device, table, addr))
				points = append(points, p)
				want = append(want, map[bool]float64{true: 1}[addr%3 == 0])
			}
		}
	}
	refused := onLine("refused", 4, register.HoldingRegisters, 500, 1)
	absent := onLine("absent", 9, register.HoldingRegisters, 0, 1)
	r := start(t, []Link{link}, clockNow(), map[string][]Point{"AU-7": append(points, refused, absent)})
	n := len(points)
	fits := []func(signal.Scan) bool{isBad(n, signal.Exception), isBad(n+1, signal.NoAnswer)}
	for i, w := range want {
		fits = append(fits, reads(i, w))
	}
	r.await("AU-7", "all there", all(fits...), nil)
}
