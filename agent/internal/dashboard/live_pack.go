package dashboard

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"hash/crc32"
	"slices"
	"sync"
)

// packer packs parts of streams. Each part stands on its own, so that one that
// many streams send is packed once; what an assessment repeats it repeats
// within itself, and a tenth is left. It is safe for concurrent use.
type packer struct {
	mu  sync.Mutex
	w   *flate.Writer // most of a megabyte, made when it is first needed
	out bytes.Buffer
}

// part packs to the end of a byte, without an end of the stream (RFC 1951).
func (p *packer) part(text []byte) []byte {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.out.Reset()
	if p.w == nil {
		p.w, _ = flate.NewWriter(&p.out, flate.BestSpeed) // fails for no valid level
	} else {
		p.w.Reset(&p.out)
	}
	// A buffer takes everything.
	_, _ = p.w.Write(text)
	_ = p.w.Flush()
	return bytes.Clone(p.out.Bytes())
}

// zip is the wrapping of one stream of such parts (RFC 1952).
type zip struct {
	begun bool
	sum   uint32
	size  uint32
}

// add is a part as it goes out; text is what it holds.
func (z *zip) add(text, packed []byte) []byte {
	z.sum = crc32.Update(z.sum, crc32.IEEETable, text)
	z.size += uint32(len(text)) // its last 32 bits count
	if z.begun {
		return packed
	}
	z.begun = true
	return slices.Concat([]byte{0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255}, packed)
}

// end is what makes the stream complete: an empty last block, the sum and the
// size.
func (z *zip) end() []byte {
	out := []byte{3, 0}
	out = binary.LittleEndian.AppendUint32(out, z.sum)
	return binary.LittleEndian.AppendUint32(out, z.size)
}
