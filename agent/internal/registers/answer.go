package registers

import (
	"encoding/binary"
	"errors"
	"io"
)

// The exception codes of the Modbus Application Protocol V1.1b3, section 7.
const (
	illegalFunction = 0x01
	illegalAddress  = 0x02
	illegalValue    = 0x03
	noSuchDevice    = 0x0B // gateway target device failed to respond
)

// The function codes that there are. FC 1 and 2 read the same bits, FC 3 and 4
// the same registers, since many a client knows only one of the two.
const (
	readCoils     = 1
	readDiscretes = 2
	readHoldings  = 3
	readInputs    = 4
)

// The most that one request may ask for (V1.1b3, sections 6.1 to 6.4).
const (
	mostBits  = 2000
	mostWords = 125
)

// The longest frame: 7 bytes of header and 253 of request (Modbus Messaging on
// TCP/IP V1.0b, from memory).
const (
	headerSize = 7
	mostFrame  = headerSize + 253
)

var errFrame = errors.New("not a Modbus TCP frame")

// readFrame reads one frame into buf, which has room for the longest: the
// header stays in front. begun is called once its first byte is there.
func readFrame(r io.Reader, buf []byte, begun func()) (device uint8, request []byte, err error) {
	if _, err := io.ReadFull(r, buf[:1]); err != nil {
		return 0, nil, err
	}
	begun()
	if _, err := io.ReadFull(r, buf[1:headerSize]); err != nil {
		return 0, nil, err
	}
	length := int(binary.BigEndian.Uint16(buf[4:])) // of what follows it: device and request
	if binary.BigEndian.Uint16(buf[2:]) != 0 || length < 2 || length+headerSize-1 > mostFrame {
		return 0, nil, errFrame
	}
	request = buf[headerSize : headerSize-1+length]
	_, err = io.ReadFull(r, request)
	return buf[headerSize-1], request, err
}

// answer appends to out what answers a request of at least one byte. code is
// the exception in it, 0 where it holds data. The view is asked for only where
// data may follow; it is nil for a device that is not there.
func answer(out, request []byte, device func() *view) (answered []byte, code byte) {
	function := request[0]
	refuse := func(code byte) ([]byte, byte) { return append(out, function|0x80, code), code }
	most := mostWords
	switch function {
	case readCoils, readDiscretes:
		most = mostBits
	case readHoldings, readInputs:
	default:
		return refuse(illegalFunction)
	}
	v := device()
	if v == nil {
		return refuse(noSuchDevice)
	}
	if len(request) != 5 {
		return refuse(illegalValue)
	}
	address, count := int(binary.BigEndian.Uint16(request[1:])), int(binary.BigEndian.Uint16(request[3:]))
	if count < 1 || count > most {
		return refuse(illegalValue)
	}
	data, ok := v.read(append(out, function, 0), function, address, count)
	if !ok {
		return refuse(illegalAddress)
	}
	data[len(out)+1] = byte(len(data) - len(out) - 2)
	return data, 0
}

// read appends count values from address on; ok is false where one of them is
// a hole.
func (v *view) read(out []byte, function byte, address, count int) (data []byte, ok bool) {
	if address+count > 1<<16 {
		return nil, false
	}
	bits := function == readCoils || function == readDiscretes
	space := &v.m.words
	if bits {
		space = &v.m.bits
	}
	for i := range count {
		w, ok := space.word(v, uint16(address+i))
		switch {
		case !ok:
			return nil, false
		case !bits:
			out = binary.BigEndian.AppendUint16(out, w)
		case i%8 == 0:
			out = append(out, byte(w))
		default:
			out[len(out)-1] |= byte(w) << (i % 8)
		}
	}
	return out, true
}
