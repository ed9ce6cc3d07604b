package history

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"time"
)

// A slot file is 4096 bytes: two slots of 2048, written in turn, so that a
// torn write can only hurt the older value. A slot is
//
//	magic 4 | counter 8 | time ns 8 | length 2 | payload … | zeros | CRC-32C 4
//
// little endian, the checksum over all that stands before it.
const (
	slotFileSize = 4096
	slotSize     = slotFileSize / 2
	slotHeader   = 4 + 8 + 8 + 2
	slotMagic    = 0x53424831
	slotPayload  = slotSize - slotHeader - 4
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// errNoSlot says that neither slot holds a value.
var errNoSlot = errors.New("no valid slot")

// slots is one open slot file. It is not safe for concurrent use.
type slots struct {
	f       file
	counter uint64 // of the newest valid slot; its parity is the slot's place
	buf     [slotSize]byte
}

// slot is one value with its place in time.
type slot struct {
	counter uint64
	at      time.Time
	payload []byte
}

// readSlots is the newest value in a file that may not be writable.
func readSlots(path string) (slot, error) {
	f, err := os.Open(path)
	if err != nil {
		return slot{}, err
	}
	defer f.Close()
	return (&slots{f: diskFile{f}}).read()
}

// newSlots finds the newest valid slot, so that writing goes on in the other.
func newSlots(f file) *slots {
	s := &slots{f: f}
	if v, err := s.read(); err == nil {
		s.counter = v.counter
	}
	return s
}

// read is the newest valid value, or errNoSlot. A slot that cannot be read or
// fails its checksum counts as empty.
func (s *slots) read() (slot, error) {
	var best slot
	var cause error
	found := false
	for i := range int64(2) {
		var raw [slotSize]byte
		if _, err := s.f.ReadAt(raw[:], i*slotSize); err != nil {
			if !errors.Is(err, io.EOF) { // a file cut short has no such slot
				cause = err
			}
			continue // the other slot may still be whole
		}
		if v, ok := decodeSlot(raw[:]); ok && (!found || v.counter > best.counter) {
			best, found = v, true
		}
	}
	switch {
	case found:
		return best, nil
	case cause != nil:
		return slot{}, cause
	default:
		return slot{}, errNoSlot
	}
}

func decodeSlot(raw []byte) (slot, bool) {
	if len(raw) != slotSize || binary.LittleEndian.Uint32(raw) != slotMagic {
		return slot{}, false
	}
	end := slotSize - 4
	if crc32.Checksum(raw[:end], castagnoli) != binary.LittleEndian.Uint32(raw[end:]) {
		return slot{}, false
	}
	n := int(binary.LittleEndian.Uint16(raw[20:]))
	if n > slotPayload {
		return slot{}, false
	}
	return slot{
		counter: binary.LittleEndian.Uint64(raw[4:]),
		at:      time.Unix(0, int64(binary.LittleEndian.Uint64(raw[12:]))).UTC(),
		payload: raw[slotHeader : slotHeader+n : slotHeader+n],
	}, true
}

// write puts the payload into the older slot and syncs it.
func (s *slots) write(at time.Time, payload []byte) error {
	if len(payload) > slotPayload {
		return fmt.Errorf("%d bytes do not fit a slot of %d", len(payload), slotPayload)
	}
	clear(s.buf[:])
	binary.LittleEndian.PutUint32(s.buf[:], slotMagic)
	binary.LittleEndian.PutUint64(s.buf[4:], s.counter+1)
	binary.LittleEndian.PutUint64(s.buf[12:], uint64(at.UnixNano()))
	binary.LittleEndian.PutUint16(s.buf[20:], uint16(len(payload)))
	copy(s.buf[slotHeader:], payload)
	binary.LittleEndian.PutUint32(s.buf[slotSize-4:], crc32.Checksum(s.buf[:slotSize-4], castagnoli))
	if _, err := s.f.WriteAt(s.buf[:], int64((s.counter+1)%2)*slotSize); err != nil {
		return err
	}
	if err := s.f.Datasync(); err != nil {
		return err
	}
	s.counter++
	return nil
}
