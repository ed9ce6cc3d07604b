package main

import (
	"encoding/binary"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"go/ast"
	"io"
	"net"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// relay stands between the agent and a Modbus server and notes the function
// code of every request that the agent sends.
type relay struct {
	mu    sync.Mutex
	codes map[byte]int
}

// relayTo listens for the agent and passes everything on to port.
func relayTo(t *testing.T, port int) (*relay, int) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close() })
	r := &relay{codes: map[byte]int{}}
	go func() {
		for {
			agent, err := listener.Accept()
			if err != nil {
				return
			}
			go r.pass(agent, port)
		}
	}()
	return r, listener.Addr().(*net.TCPAddr).Port
}

func (r *relay) pass(agent net.Conn, port int) {
	defer agent.Close()
	server, err := net.Dial("tcp", at(port))
	if err != nil {
		return
	}
	defer server.Close()
	go func() {
		_, _ = io.Copy(agent, server)
		agent.Close()
	}()
	for {
		head := make([]byte, 6)
		if _, err := io.ReadFull(agent, head); err != nil {
			return
		}
		rest := make([]byte, binary.BigEndian.Uint16(head[4:]))
		if _, err := io.ReadFull(agent, rest); err != nil || len(rest) < 2 {
			return
		}
		r.mu.Lock()
		r.codes[rest[1]]++
		r.mu.Unlock()
		if _, err := server.Write(append(head, rest...)); err != nil {
			return
		}
	}
}

// printed is where the built program says that everything stands, by name:
// registers, and bits with "bit " before.
func printed(t *testing.T, program, config string) map[string]int {
	t.Helper()
	out, err := exec.Command(program, "registers", "-csv", config).Output()
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(out))).ReadAll()
	if err != nil || len(rows) < 100 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	places := map[string]int{}
	for _, row := range rows[1:] {
		name := row[6]
		if row[2] == "bit" {
			name = "bit " + name
		}
		if places[name], err = strconv.Atoi(row[3]); err != nil {
			t.Fatal(err)
		}
	}
	return places
}

// reader is an independent client on python3-pymodbus; call answers are as
// modbus_reader.py prints them.
func reader(t *testing.T, port, device int, calls ...[]any) []string {
	t.Helper()
	text, err := json.Marshal(calls)
	if err != nil {
		t.Fatal(err)
	}
	client := exec.Command("/usr/bin/python3", "../testdata/modbus_reader.py", strconv.Itoa(port), strconv.Itoa(device))
	client.Stdin = strings.NewReader(string(text))
	out, err := client.CombinedOutput()
	var got []json.RawMessage
	if err == nil {
		err = json.Unmarshal(out, &got)
	}
	if err != nil || len(got) != len(calls) {
		t.Fatalf("the independent client: %v\n%s", err, out)
	}
	answers := make([]string, len(got))
	for i := range got {
		answers[i] = string(got[i])
	}
	return answers
}

// poll is another independent client; it gives what mbpoll prints.
func poll(t *testing.T, port int, arguments ...string) string {
	t.Helper()
	arguments = append([]string{"-m", "tcp", "-p", strconv.Itoa(port), "-a", "1", "-0", "-1", "-o", "10"}, arguments...)
	out, _ := exec.Command(tool(t, "mbpoll", "mbpoll"), arguments...).CombinedOutput() // it fails where the server refuses
	return string(out)
}

// A control room that knows only Modbus: two independent clients read the built
// program, and nothing that they send changes anything or reaches the panel.
// The figures are those of TestWholeChainOnRealParts, worked out by hand.
func TestControlRoomOverModbus(t *testing.T) {
	port := freePort(t)
	var between *relay
	c := startChainWith(t, func(config string) string {
		link := regexp.MustCompile(`tcp://127\.0\.0\.1:(\d+)", timeout`)
		panel, err := strconv.Atoi(link.FindStringSubmatch(config)[1])
		if err != nil {
			t.Fatal(err)
		}
		relayed := 0
		between, relayed = relayTo(t, panel)
		return link.ReplaceAllString(config, fmt.Sprintf(`tcp://127.0.0.1:%d", timeout`, relayed)) +
			fmt.Sprintf("\nmodbus_server: {listen: \"127.0.0.1:%d\"}\n", port)
	})
	places := printed(t, c.strokebank, c.config)
	c.hears.await("five cycles", 0, c.cycles(5))
	reads := func(name string, want int) {
		t.Helper()
		method, place := "read_input_registers", places[name]
		if strings.HasPrefix(name, "bit ") {
			method = "read_discrete_inputs"
		}
		eventually(t, fmt.Sprintf("%s reads %d", name, want), func() bool {
			return reader(t, port, 1, []any{method, place, 1})[0] == fmt.Sprintf("[%d]", uint16(want))
		})
	}
	reads("reserve_at_least", 5)
	// Known, at least, expected x 10, full charge x 10, required, quality good.
	want := "[1, 5, 54, 54, 3, 3]"
	for i, got := range reader(t, port, 1, []any{"read_input_registers", 10, 6}, []any{"read_holding_registers", 10, 6}) {
		if got != want {
			t.Errorf("the reserve by code %d reads %s, want %s", 4-i, got, want)
		}
	}
	for _, code := range []string{"3", "4"} { // its words for input and holding registers
		if out := poll(t, port, "-t", code, "-r", "10", "-c", "6", "127.0.0.1"); !regexp.MustCompile(`\[11\]:\s+5\n\[12\]:\s+54\n\[13\]:\s+54\n`).MatchString(out) {
			t.Errorf("mbpoll -t %s prints\n%s", code, out)
		}
	}
	for _, code := range []string{"0", "1"} { // coils and discrete inputs
		if out := poll(t, port, "-t", code, "-r", "0", "-c", "6", "127.0.0.1"); !regexp.MustCompile(`\[0\]:\s+1\n\[1\]:\s+0\n\[2\]:\s+1\n\[3\]:\s+0\n\[4\]:\s+1\n\[5\]:\s+0\n`).MatchString(out) {
			t.Errorf("mbpoll -t %s prints\n%s", code, out)
		}
	}
	reads("pumps_redundancy", 2)
	reads("gauge_pressure", 8000)
	reads("oil_level", 2000)

	c.image.set("input", 0, 9800) // 5.8 bar
	reads("unit.low_reserve", 2)
	reads("bit unit.low_reserve.raised", 1)
	reads("bit unit.low_reserve.unacknowledged", 1)
	reads("bit unit.low_reserve.not_raised", 0)
	reads("bit reserve_short", 1)
	reads("reserve_at_least", 1)
	c.image.set("discrete_inputs", 1, 1)
	reads("pump2_state", 2)

	c.image.set("input", 0, 3600) // 3.6 mA
	reads("reserve_known", 2)
	reads("reserve_at_least", -32768)
	reads("gauge_pressure", -32768)
	reads("gauge_pressure_quality", 1)
	reads("bit reserve_not_known", 1)
	reads("bit unit.low_reserve.raised", 0)
	reads("bit unit.low_reserve.not_raised", 0)
	reads("unit.low_reserve", -32768)

	c.strangers(t, port)
	if code := c.agent.stop(); code != exitOK {
		t.Errorf("stopped with exit code %d", code)
	}
	between.mu.Lock()
	defer between.mu.Unlock()
	for code, n := range between.codes {
		if code < 1 || code > 4 {
			t.Errorf("%d requests with function code %d went to the panel", n, code)
		}
	}
	if len(between.codes) != 4 {
		t.Errorf("function codes to the panel: %v; want all four", between.codes)
	}
}

// strangers: what is not a read within the map is refused as the protocol says,
// counted, and logged once.
func (c *chain) strangers(t *testing.T, port int) {
	t.Helper()
	answers := reader(t, port, 1,
		[]any{"write_coil", 0, true}, []any{"write_register", 11, 7}, []any{"write_coils", 0, []bool{true, true}},
		[]any{"write_registers", 10, []int{1, 2}}, []any{"mask_write_register", 11, 1, 2},
		[]any{"readwrite_registers", map[string]any{"read_address": 10, "read_count": 1, "write_address": 10, "write_registers": []int{1}}},
		[]any{"read_input_registers", 8, 1}, []any{"read_input_registers", 21, 2}, []any{"read_discrete_inputs", 999, 1},
		[]any{"read_holding_registers", 0, 126}, []any{"read_coils", 0, 2001})
	for i, got := range answers {
		want := `{"exception": 1}`
		if i >= 6 {
			want = `{"exception": 2}`
		}
		if i >= 9 {
			want = `{"exception": 3}`
		}
		if got != want {
			t.Errorf("call %d got %s, want %s", i, got, want)
		}
	}
	if out := poll(t, port, "-t", "4", "-r", "11", "127.0.0.1", "7"); !strings.Contains(out, "Illegal function") {
		t.Errorf("mbpoll was told of its write\n%s", out)
	}
	if got := reader(t, port, 5, []any{"read_input_registers", 0, 1})[0]; got != `{"exception": 11}` {
		t.Errorf("a device that is not there answers %s", got)
	}
	text := get(t, fmt.Sprintf("http://127.0.0.1:%d/metrics", c.http))
	for _, line := range []string{`refused_total{cause="write"} 7`, `refused_total{cause="function"} 0`, `refused_total{cause="address"} 3`,
		`refused_total{cause="value"} 2`, `refused_total{cause="device"} 1`, "clients_refused_total 0", "broken_total 0"} {
		if !strings.Contains(text, "\nstrokebank_modbus_server_"+line+"\n") {
			t.Errorf("the metrics do not say %s", line)
		}
	}
	if n := strings.Count(c.agent.log.String(), "a Modbus client asked for what is not served"); n != 1 {
		t.Errorf("the log speaks of the writes %d times", n)
	}
}

// The client that could write is in reach of one file only, where an interface
// with nothing but reads stands in front of it: the room that answers others
// cannot pass anything on.
func TestModbusClientHasOneOwner(t *testing.T) {
	var owners []string
	eachFile(t, func(_, name string, file *ast.File) {
		if strings.HasSuffix(name, "_test.go") {
			return
		}
		for _, imp := range file.Imports {
			if strings.Contains(imp.Path.Value, "simonvetter/modbus") {
				owners = append(owners, name)
			}
		}
	})
	if !slices.Equal(owners, []string{"sensors/wire.go"}) {
		t.Errorf("the client is imported by %v", owners)
	}
}
