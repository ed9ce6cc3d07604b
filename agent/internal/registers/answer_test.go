package registers

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"strokebank/sensors/signal"
)

// example is a map that holds what the examples of the Modbus Application
// Protocol V1.1b3, sections 6.1 to 6.4, read.
func example(t testing.TB) *view {
	t.Helper()
	value := func(at int, size size, x float64) row {
		return row{at: uint16(at), size: size, name: fmt.Sprint(at), scale: 1, of: func(*view) signal.Number { return signal.Number(x) }}
	}
	bits := func(from int, ons string) (rows []row) {
		for i, on := range ons {
			rows = append(rows, value(from+i, aBit, float64(on-'0')))
		}
		return rows
	}
	// Outputs 20 to 38 and inputs 197 to 218, the first one first.
	words := []row{value(107, one, 555), value(108, one, 0), value(109, one, 100), value(8, one, 10)}
	all := append(bits(19, "1011001111010110101"), bits(196, "0011010111011011101011")...)
	m := &Map{}
	var err error
	if m.words, err = layOut(words); err != nil {
		t.Fatal(err)
	}
	if m.bits, err = layOut(all); err != nil {
		t.Fatal(err)
	}
	return &view{m: m, fresh: true}
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestAnswersOfTheProtocol(t *testing.T) {
	v := example(t)
	for _, c := range []struct{ name, request, want string }{
		// Published: Modbus Application Protocol V1.1b3, sections 6.1 to 6.4.
		{"read coils", "01 0013 0013", "01 03 CD 6B 05"},
		{"read discrete inputs", "02 00C4 0016", "02 03 AC DB 35"},
		{"read holding registers", "03 006B 0003", "03 06 022B 0000 0064"},
		{"read input registers", "04 0008 0001", "04 02 000A"},
		// Both codes of a space read the same.
		{"registers by the other code", "04 006B 0001", "04 02 022B"},
		{"bits by the other code", "02 0013 0008", "02 01 CD"},
		// Published: section 7, exception codes, in the order of the section 6 state diagrams.
		{"no code 0", "00 0000 0001", "80 01"},
		{"write single coil", "05 00AC FF00", "85 01"},
		{"write single register", "06 0001 0003", "86 01"},
		{"read exception status", "07", "87 01"},
		{"diagnostics", "08 0000 A537", "88 01"},
		{"write multiple coils", "0F 0013 000A 02 CD01", "8F 01"},
		{"write multiple registers", "10 0001 0002 04 000A 0102", "90 01"},
		{"write file record", "15 0D 06 0004 0007 0003 06AF 04BE 100D", "95 01"},
		{"mask write register", "16 0004 00F2 0025", "96 01"},
		{"read and write registers", "17 0003 0006 000E 0003 06 00FF 00FF 00FF", "97 01"},
		{"device identification", "2B 0E 01 00", "AB 01"},
		{"a code that is an exception's", "83 0000 0001", "83 01"},
		{"no quantity", "03 006B 0000", "83 03"},
		{"126 registers", "04 0000 007E", "84 03"},
		{"2001 bits", "01 0000 07D1", "81 03"},
		{"65535 bits", "02 0000 FFFF", "82 03"},
		{"request too short", "03 006B 00", "83 03"},
		{"request too long", "03 006B 0003 00", "83 03"},
		{"request of one byte", "03", "83 03"},
		{"before the first", "03 006A 0002", "83 02"},
		{"behind the last", "03 006D 0002", "83 02"},
		{"a space of its own", "01 006B 0001", "81 02"},
		{"past the last address", "03 FFFF 0002", "83 02"},
		{"the last address", "04 FFFF 0001", "84 02"},
		{"quantity before address", "03 FFFF 007E", "83 03"},
	} {
		t.Run(c.name, func(t *testing.T) {
			out, code := answer([]byte{0xEE}, unhex(t, c.request), func() *view { return v })
			if want := append([]byte{0xEE}, unhex(t, c.want)...); !bytes.Equal(out, want) {
				t.Errorf("got % X, want % X", out, want)
			}
			if refused := out[1]&0x80 != 0; refused != (code != 0) || refused && out[2] != code {
				t.Errorf("code %d beside % X", code, out)
			}
		})
	}
}

// A write to a device that is not there is refused as a write.
func TestFunctionBeforeDevice(t *testing.T) {
	nobody := func() *view { return nil }
	if out, code := answer(nil, unhex(t, "06 0001 0003"), nobody); code != illegalFunction {
		t.Errorf("% X", out)
	}
	if out, _ := answer(nil, unhex(t, "03 0001 0001"), nobody); !bytes.Equal(out, unhex(t, "83 0B")) {
		t.Errorf("% X", out)
	}
}

func TestFrames(t *testing.T) {
	for _, c := range []struct {
		name, frame string
		device      uint8
		request     string
		err         error
	}{
		{"a request", "0001 0000 0006 0B 03 006B 0003", 11, "03 006B 0003", nil},
		{"the longest", "0001 0000 00FE FF" + strings.Repeat("10", 253), 255, strings.Repeat("10", 253), nil},
		{"one longer", "0001 0000 00FF FF" + strings.Repeat("10", 254), 0, "", errFrame},
		{"another protocol", "0001 0001 0006 0B 03 006B 0003", 0, "", errFrame},
		{"a device and nothing", "0001 0000 0001 0B", 0, "", errFrame},
		{"no length", "0001 0000 0000 0B", 0, "", errFrame},
		{"text", hex.EncodeToString([]byte("GET / HTTP/1.1\r\n\r\n")), 0, "", errFrame},
		{"cut in the header", "0001 0000", 0, "", io.ErrUnexpectedEOF},
		{"cut in the request", "0001 0000 0006 0B 03 00", 0, "", io.ErrUnexpectedEOF},
		{"nothing", "", 0, "", io.EOF},
	} {
		t.Run(c.name, func(t *testing.T) {
			device, request, err := readFrame(bytes.NewReader(unhex(t, c.frame)), make([]byte, mostFrame), func() {})
			if !errors.Is(err, c.err) {
				t.Fatalf("error %v, want %v", err, c.err)
			}
			if err == nil && (device != c.device || !bytes.Equal(request, unhex(t, c.request))) {
				t.Errorf("device %d, % X", device, request)
			}
		})
	}
}

// Whatever comes is answered with data of the right length or an exception, in
// a frame that is no longer than allowed; nothing but codes 1 to 4 gets data.
func FuzzAnswer(f *testing.F) {
	for _, seed := range []string{
		"0001 0000 0006 0B 01 0013 0013", "0002 0000 0006 0B 02 00C4 0016", "0003 0000 0006 0B 03 006B 0003",
		"0004 0000 0006 0B 04 0008 0001", "0005 0000 0006 0B 06 0001 0003", "0006 0000 000B 0B 10 0001 0002 04 000A 0102",
		"0007 0000 0006 00 03 FFFF 007D", "0008 0000 0006 0B 01 0000 07D0", "0009 0000 0005 0B 2B 0E 01 00", "0001 0001 0006 0B 03 006B 0003",
	} {
		f.Add(unhex(f, seed))
	}
	v := example(f)
	f.Fuzz(func(t *testing.T, in []byte) {
		var buf [mostFrame]byte
		device, request, err := readFrame(bytes.NewReader(in), buf[:], func() {})
		if err != nil {
			return
		}
		if len(request) < 1 || len(request) > 253 {
			t.Fatalf("a request of %d bytes", len(request))
		}
		out, code := answer(make([]byte, headerSize, mostFrame), request, func() *view {
			if device == 9 {
				return nil
			}
			return v
		})
		if len(out) > mostFrame || len(out) < headerSize+2 {
			t.Fatalf("an answer of %d bytes", len(out))
		}
		pdu := out[headerSize:]
		if code != 0 {
			if len(pdu) != 2 || pdu[0] != request[0]|0x80 || pdu[1] != code {
				t.Fatalf("exception %d as % X", code, pdu)
			}
			return
		}
		count := int(binary.BigEndian.Uint16(request[3:]))
		want := 2 * count
		if request[0] <= 2 {
			want = (count + 7) / 8
		}
		if request[0] < 1 || request[0] > 4 || pdu[0] != request[0] || int(pdu[1]) != want || len(pdu) != 2+want {
			t.Fatalf("% X answered with % X", request, pdu)
		}
	})
}
