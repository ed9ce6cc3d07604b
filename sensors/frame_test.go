package sensors

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"reflect"
	"testing"
	"time"

	"strokebank/sensors/register"
)

// The first is the worked example of MODBUS over Serial Line V1.02, appendix
// B; the others are the read requests of the MODBUS Application Protocol
// examples with the checksums that published tables give them.
func TestChecksum(t *testing.T) {
	for _, tt := range []struct{ frame, want string }{
		{"0207", "4112"}, {"1103006B0003", "7687"}, {"110400080001", "B298"},
	} {
		t.Run(tt.frame, func(t *testing.T) {
			got := binary.LittleEndian.AppendUint16(nil, checksum(unhex(t, tt.frame)))
			if !bytes.Equal(got, unhex(t, tt.want)) {
				t.Errorf("got % X, want %s", got, tt.want)
			}
		})
	}
}

func TestAskFrame(t *testing.T) {
	for _, tt := range []struct {
		r    Request
		want string
	}{
		{Request{Device: 0x11, Table: register.HoldingRegisters, Address: 0x6B, Count: 3}, "1103006B00037687"},
		{Request{Device: 0x11, Table: register.InputRegisters, Address: 8, Count: 1}, "110400080001B298"},
	} {
		if got := askFrame(tt.r); !bytes.Equal(got, unhex(t, tt.want)) {
			t.Errorf("%+v: got % X, want %s", tt.r, got, tt.want)
		}
	}
	for table, code := range map[register.Table]byte{register.Coils: 1, register.DiscreteInputs: 2,
		register.HoldingRegisters: 3, register.InputRegisters: 4, 77: 4} {
		if got := askFrame(Request{Table: table})[1]; got != code {
			t.Errorf("table %d is read with function code %d, want %d", table, got, code)
		}
	}
}

// The least time of a transaction, computed by hand from the standard's
// characters of 11 bits and its gaps of 3.5 characters (1.750 ms above 19200
// baud), in ms to two decimals.
func TestLeastTime(t *testing.T) {
	for _, tt := range []struct {
		baud, registers int
		want            string
	}{
		{9600, 1, "25.21"}, {9600, 20, "68.75"}, {19200, 1, "12.60"}, {19200, 20, "34.37"},
		{38400, 1, "7.80"}, {38400, 20, "18.68"}, {115200, 1, "4.93"}, {115200, 20, "8.56"},
	} {
		l := Line{Baud: tt.baud}
		if got := fmt.Sprintf("%.2f", leastTime(l, tt.registers).Seconds()*1000); got != tt.want {
			t.Errorf("%d baud, %d registers: %s ms, want %s", tt.baud, tt.registers, got, tt.want)
		}
	}
}

// leastTime is the least that a read of registers can take.
func leastTime(l Line, registers int) time.Duration {
	r := Request{Table: register.HoldingRegisters, Count: uint16(registers)}
	return l.chars(askLength+answerLength(r)) + 2*l.gap()
}

func closed(frame ...byte) []byte {
	return binary.LittleEndian.AppendUint16(frame, checksum(frame))
}

func TestFirstFrame(t *testing.T) {
	whole := closed(1, 3, 2, 0, 9)
	spoilt := bytes.Clone(whole)
	spoilt[4]++
	tests := []struct {
		name string
		text []byte
		n    int
		err  error
	}{
		{"nothing", nil, 0, nil},
		{"two characters", whole[:2], 0, nil},
		{"all but one", whole[:6], 0, nil},
		{"whole", whole, 7, nil},
		{"with more behind", append(bytes.Clone(whole), 1, 3), 7, nil},
		{"exception", closed(1, 0x83, 2), 5, nil},
		{"spoilt", spoilt, 0, errChecksum},
		{"a write", closed(1, 6, 0, 1, 0, 1), 0, errGarbled},
		{"function code 0", []byte{1, 0, 0}, 0, errGarbled},
		{"longer than any frame", []byte{1, 3, 255}, 0, errGarbled},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if n, err := firstFrame(tt.text); n != tt.n || !errors.Is(err, tt.err) {
				t.Errorf("got %d, %v", n, err)
			}
		})
	}
}

func FuzzFirstFrame(f *testing.F) {
	f.Add(closed(1, 3, 4, 0, 9, 0, 1))
	f.Add(closed(17, 2, 3, 0xAC, 0xDB, 0x35))
	f.Add(closed(1, 0x84, 2))
	f.Fuzz(func(t *testing.T, text []byte) {
		n, err := firstFrame(text)
		if n < 0 || n > len(text) || n > frameMost || err != nil && n != 0 {
			t.Fatalf("%d of %d characters, %v", n, len(text), err)
		}
		if n == 0 {
			return
		}
		for table := register.Coils; table <= register.InputRegisters; table++ {
			r := Request{Device: text[0], Table: table, Count: max(1, uint16(text[2])/2)}
			if answers(text[:n], r) {
				valuesIn(text[:n], r) // must not run past the frame
			}
		}
	})
}

func TestApart(t *testing.T) {
	read := func(table register.Table, address, count uint16) Request {
		return Request{Device: 1, Table: table, Address: address, Count: count}
	}
	h, c := register.HoldingRegisters, register.Coils
	tests := []struct {
		name       string
		plan       []Request
		neighbours int // that are alike
	}{
		{"none", nil, 0},
		{"all alike", []Request{read(h, 0, 2), read(h, 9, 2), read(h, 20, 2)}, 2},
		{"two kinds", []Request{read(h, 0, 2), read(h, 9, 2), read(h, 20, 3), read(h, 30, 3)}, 0},
		{"one between two", []Request{read(h, 0, 2), read(h, 9, 2), read(c, 0, 8)}, 0},
		{"bits of as many bytes", []Request{read(c, 0, 1), read(c, 99, 8)}, 1},
		{"one kind too many of", []Request{read(h, 0, 2), read(h, 9, 2), read(h, 20, 2), read(h, 30, 2), read(c, 0, 1)}, 2},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := apart(tt.plan)
			seen := make(map[string]bool)
			alikes := 0
			for i, r := range got {
				seen[fmt.Sprint(r)] = true
				if i > 0 && alike(got[i-1], r) {
					alikes++
				}
			}
			if len(got) != len(tt.plan) || len(seen) != len(tt.plan) || alikes != tt.neighbours {
				t.Errorf("%d neighbours alike in %v", alikes, got)
			}
			if !reflect.DeepEqual(got, apart(tt.plan)) {
				t.Error("the order changes from call to call")
			}
		})
	}
}
