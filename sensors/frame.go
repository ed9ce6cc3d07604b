package sensors

import (
	"encoding/binary"
	"fmt"

	"strokebank/sensors/register"
)

// RTU frames: MODBUS over Serial Line V1.02, clause 2.5.1.

const (
	askLength = 8   // characters of every read request
	frameMost = 256 // characters of the longest frame
)

// functionCode is the one code that reads a table: 1 to 4.
func functionCode(t register.Table) byte {
	switch t {
	case register.Coils:
		return 1
	case register.DiscreteInputs:
		return 2
	case register.HoldingRegisters:
		return 3
	default:
		return 4
	}
}

// askFrame is a read as it goes over the line.
func askFrame(r Request) []byte {
	frame := []byte{r.Device, functionCode(r.Table)}
	frame = binary.BigEndian.AppendUint16(frame, r.Address)
	frame = binary.BigEndian.AppendUint16(frame, r.Count)
	return binary.LittleEndian.AppendUint16(frame, checksum(frame))
}

// dataLength is how many bytes of values answer a read.
func dataLength(r Request) int {
	if r.Table == register.Coils || r.Table == register.DiscreteInputs {
		return (int(r.Count) + 7) / 8
	}
	return 2 * int(r.Count)
}

// answerLength is how many characters answer a read.
func answerLength(r Request) int { return 5 + dataLength(r) }

// checksum is the CRC-16 of clause 2.5.1.2 and appendix B: polynomial 0xA001,
// start 0xFFFF; its low byte goes first.
func checksum(frame []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range frame {
		crc ^= uint16(b)
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low != 0 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// firstFrame finds how long the frame is with which text begins: 0 where more
// of it is needed to know. The error says that it is none.
func firstFrame(text []byte) (int, error) {
	if len(text) < 3 {
		return 0, nil
	}
	length := 5
	switch code := text[1] &^ 0x80; {
	case code < 1 || code > 4:
		return 0, fmt.Errorf("function code %d: %w", text[1], errGarbled)
	case text[1] == code:
		length += int(text[2])
	}
	if length > frameMost {
		return 0, errGarbled
	}
	if len(text) < length {
		return 0, nil
	}
	if binary.LittleEndian.Uint16(text[length-2:]) != checksum(text[:length-2]) {
		return 0, errChecksum
	}
	return length, nil
}

// answers reports whether a whole frame answers a read. Unit identifier,
// function and length are all that a frame has to be told by.
func answers(frame []byte, r Request) bool {
	if frame[0] != r.Device || frame[1]&^0x80 != functionCode(r.Table) {
		return false
	}
	return frame[1]&0x80 != 0 || int(frame[2]) == dataLength(r)
}

// valuesIn are the words of a frame that answers a read, or its exception.
func valuesIn(frame []byte, r Request) ([]uint16, error) {
	if frame[1]&0x80 != 0 {
		return nil, exception(frame[2])
	}
	words, data := make([]uint16, r.Count), frame[3:]
	for i := range words {
		if r.Table == register.Coils || r.Table == register.DiscreteInputs {
			words[i] = uint16(data[i/8] >> (i % 8) & 1)
		} else {
			words[i] = binary.BigEndian.Uint16(data[2*i:])
		}
	}
	return words, nil
}
