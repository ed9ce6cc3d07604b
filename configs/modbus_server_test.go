package configs

import (
	"slices"
	"strings"
	"testing"
)

func TestModbusServer(t *testing.T) {
	two := strings.Replace(base, "units:\n", "units:\n  AU-9:\n"+strings.SplitAfter(base, "  AU-7:\n")[1], 1)
	for _, c := range []struct {
		name, file, block string
		want              *ModbusServer
	}{
		{"none", base, "", nil},
		{"loopback", base, "modbus_server: {listen: \"[::1]:5020\"}\n", &ModbusServer{"[::1]:5020", []Served{{"AU-7", 1}}}},
		{"network, said so", base, "modbus_server: {listen: \":5020\", allow_network: true}\n", &ModbusServer{":5020", []Served{{"AU-7", 1}}}},
		{"all in their order", two, "modbus_server: {listen: \"localhost:5020\"}\n", &ModbusServer{"localhost:5020", []Served{{"AU-9", 1}, {"AU-7", 2}}}},
		{"one of two", two, "modbus_server: {listen: \"127.0.0.1:0\", units: {AU-7: {device: 247}}}\n", &ModbusServer{"127.0.0.1:0", []Served{{"AU-7", 247}}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			cfg, problems := parseString(strings.Replace(c.file, "links:", c.block+"links:", 1))
			if cfg == nil {
				t.Fatal(problems)
			}
			got := cfg.ModbusServer
			if (got == nil) != (c.want == nil) || got != nil && (got.Listen != c.want.Listen || !slices.Equal(got.Units, c.want.Units)) {
				t.Errorf("got %+v, want %+v", got, c.want)
			}
		})
	}
}

func TestWrongModbusServer(t *testing.T) {
	const key = "modbus_server"
	server := func(rest string) string { return key + ": {listen: \"" + rest + "}\nlinks:" }
	for _, b := range []bad{
		{"no address", "links:", key + ": {allow_network: false}\nlinks:", key, key + ".listen", "is missing", "127.0.0.1:5020"},
		{"no port", "links:", server(`localhost"`), key, key + ".listen", "not host:port", "127.0.0.1:5020"},
		{"every address", "links:", server(`:5020"`), key, key + ".listen", "no access control", "allow_network: true"},
		{"network", "links:", server(`192.0.2.7:502"`), key, key + ".listen", "no access control", "listen on 127.0.0.1"},
		{"a name may be anywhere", "links:", server(`gateway:502"`), key, key + ".listen", "no access control", "127.0.0.1"},
		{"unit that is not there", "links:", server(`localhost:502", units: {AU-1: {device: 1}}`), key, key + ".units.AU-1", `no unit "AU-1"`, "a unit of this file"},
		{"broadcast", "links:", server(`localhost:502", units: {AU-7: {device: 0}}`), key, key + ".units.AU-7.device", "1 to 247", "1"},
		{"over the highest", "links:", server(`localhost:502", units: {AU-7: {device: 248}}`), key, key + ".units.AU-7.device", "1 to 247", "1"},
		{"no device", "links:", server(`localhost:502", units: {AU-7: {}}`), key, key + ".units.AU-7.device", "is missing", "1"},
		{"no units", "links:", server(`localhost:502", units: {}`), key, key + ".units", "is empty", "device"},
	} {
		t.Run(b.name, b.check)
	}
	two := strings.Replace(base, "units:\n", "units:\n  AU-9:\n"+strings.SplitAfter(base, "  AU-7:\n")[1], 1)
	bad{"device twice", "links:", server(`localhost:502", units: {AU-7: {device: 3}, AU-9: {device: 3}}`), key, key + ".units.AU-9.device", "already that of AU-7", "of its own"}.checkIn(t, two)
}
