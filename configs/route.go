package configs

import (
	"fmt"
	"path"
	"strings"

	"strokebank/sensors"
)

// route decodes how a link reaches its devices.
func (s section) route(link *sensors.Link) {
	line := s.line()
	text := s.text("address")
	if text == "" {
		return
	}
	const serial = "rtu://"
	if file, ok := strings.CutPrefix(text, serial); ok {
		link.Via, link.Address, link.Line = sensors.Serial, file, line
		if !strings.HasPrefix(file, "/") || path.Clean(file) != file || strings.ContainsAny(file, "?#") {
			s.report("address", fmt.Sprintf("%q is not the path of a serial port", short(file)), "write rtu:///dev/ttyS1")
		}
		s.useful(link.Via)
		return
	}
	scheme, host := s.address("address", text, "502", "rtu+tcp", "tcp")
	link.Address = host
	if scheme == "rtu+tcp" {
		link.Via, link.Line = sensors.SerialOverTCP, line
		if !strings.HasSuffix(text, host[strings.LastIndex(host, ":"):]) {
			s.report("address", "a converter without its port", "write "+text+":4001, with the port that it listens on")
		}
	}
	if scheme != "" {
		s.useful(link.Via)
	}
}

// line decodes what a serial line needs.
func (s section) line() sensors.Line {
	l := sensors.Line{StopBits: 1, WorstLatency: seconds(s.quantity("worst_latency"))}
	l.Baud, _ = s.integer("baud", 300, 921600)
	switch s.text("parity") {
	case "even":
		l.Parity = sensors.EvenParity
	case "odd":
		l.Parity = sensors.OddParity
	default:
		l.StopBits = 2 // MODBUS over Serial Line V1.02, clause 2.5.1
	}
	if n, ok := s.integer("stop_bits", 1, 2); ok {
		l.StopBits = n
	}
	return l
}

// useful reports keys that do nothing on a link of this kind, so that nobody
// believes they did.
func (s section) useful(via sensors.Transport) {
	idle := map[sensors.Transport][]string{
		sensors.TCP:           {"baud", "parity", "stop_bits", "worst_latency"},
		sensors.SerialOverTCP: {"parity", "stop_bits"},
	}
	for _, name := range idle[via] {
		if s.has(name) {
			s.report(name, "does nothing on "+s.written("address"), "leave the key out, or correct the address")
		}
	}
}
