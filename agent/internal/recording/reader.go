package recording

import (
	"bufio"
	"compress/flate"
	"compress/gzip"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// Reader reads one file of a recording. One goroutine. It never holds more
// than one record, whatever the file claims.
type Reader struct {
	Header      Header
	State, Beat []byte // nil where the rules began with none

	in      *bufio.Reader
	coder   *coder
	buf     []byte
	sum     uint32 // of the record before
	held    byte   // kind of the record in buf that Next gives first; 0: none
	ended   error  // what every further record answers
	records int
}

// NewReader reads a file's beginning. The error says what is wrong with it;
// it is ErrTorn for one that ends before its header does.
func NewReader(r io.Reader) (*Reader, error) {
	zip, err := gzip.NewReader(r)
	switch {
	case err == io.EOF || errors.Is(err, io.ErrUnexpectedEOF):
		return nil, ErrTorn
	case err != nil:
		return nil, fmt.Errorf("it is not a gzip stream: %w", err)
	}
	return newReader(zip)
}

// newReader reads the beginning of what the archive holds.
func newReader(plain io.Reader) (*Reader, error) {
	in := &Reader{in: bufio.NewReaderSize(plain, 64<<10)}
	begin := make([]byte, len(magic))
	if _, err := io.ReadFull(in.in, begin); err != nil {
		return nil, tornRecord(err)
	}
	if string(begin) != magic {
		return nil, errors.New("it is no recording of this program")
	}
	kind, err := in.record()
	if err == nil && kind != recordHeader {
		err = errors.New("it does not begin with its header")
	}
	if err == io.EOF {
		err = ErrTorn
	}
	if err != nil {
		return nil, err
	}
	if in.Header, err = decodeHeader(in.buf); err != nil {
		return nil, err
	}
	in.coder = newCoder(len(in.Header.Points))
	return in, in.beginning()
}

// beginning reads the state and the beat, which stand before all else.
func (r *Reader) beginning() error {
	for {
		kind, err := r.record()
		switch {
		case err == io.EOF || errors.Is(err, ErrTorn):
			return nil // Next says so
		case err != nil:
			return err
		case kind == recordState:
			r.State = append([]byte(nil), r.buf...)
		case kind == recordBeat:
			r.Beat = append([]byte(nil), r.buf...)
		default:
			r.held = kind
			return nil
		}
	}
}

// Next reads the next item into it, reusing its readings. At the end of a whole
// file it gives io.EOF, at that of a torn one ErrTorn.
func (r *Reader) Next(it *Item) error {
	kind := r.held
	r.held = 0
	if kind == 0 {
		var err error
		if kind, err = r.record(); err != nil {
			return err
		}
	}
	err := r.decode(kind, it)
	if err != nil {
		return fmt.Errorf("record %d: %w", r.records, err)
	}
	return nil
}

func (r *Reader) decode(kind byte, it *Item) error {
	switch kind {
	case recordScan:
		it.Kind = Scan
		return r.coder.read(r.buf, &it.Scan)
	case recordCommand:
		it.Kind = Command
		return fresh(&it.Command, r.buf)
	case recordGiven:
		it.Kind = Numbers
		if err := fresh(&it.Given, r.buf); err != nil {
			return err
		}
		if it.Given.Count < 0 {
			return errors.New("numbers of less than no event")
		}
		return nil
	case recordMissed:
		it.Kind = Gap
		return fresh(&it.Missed, r.buf)
	case recordEnd:
		it.Kind = End
		return nil
	}
	return fmt.Errorf("there is no kind %q", kind)
}

// fresh decodes text into v, with nothing left of what v was.
func fresh[T any](v *T, text []byte) error {
	var zero T
	*v = zero
	return json.Unmarshal(text, v)
}

// record reads one record into buf. After an error there are no more.
func (r *Reader) record() (kind byte, err error) {
	if r.ended == nil {
		kind, r.ended = r.readRecord()
	}
	return kind, r.ended
}

func (r *Reader) readRecord() (kind byte, err error) {
	if _, err := r.in.Peek(1); err != nil {
		return 0, torn(err)
	}
	r.records++
	size, err := r.size()
	if err != nil {
		return 0, tornRecord(err)
	}
	if kind, err = r.in.ReadByte(); err != nil {
		return 0, tornRecord(err)
	}
	if err := r.fill(size - 1); err != nil {
		return 0, tornRecord(err)
	}
	var sum [4]byte
	if _, err := io.ReadFull(r.in, sum[:]); err != nil {
		return 0, tornRecord(err)
	}
	if r.sum = chained(r.sum, kind, r.buf); r.sum != binary.LittleEndian.Uint32(sum[:]) {
		return 0, ErrTorn
	}
	return kind, nil
}

// size reads a record's length. One that was never written is ErrTorn.
func (r *Reader) size() (int, error) {
	n := 0
	for shift := 0; ; shift += 7 {
		b, err := r.in.ReadByte()
		if err != nil {
			return 0, err
		}
		n |= int(b&0x7f) << shift
		switch {
		case n > mostRecord || shift > 21 || b < 0x80 && n < 1:
			return 0, ErrTorn
		case b < 0x80:
			return n, nil
		}
	}
}

// fill reads n bytes into buf, which grows only as far as they are there.
func (r *Reader) fill(n int) error {
	const step = 64 << 10
	r.buf = r.buf[:0]
	for len(r.buf) < n {
		from := len(r.buf)
		more := min(n-from, step)
		if cap(r.buf) < from+more {
			r.buf = append(make([]byte, 0, 2*(from+more)), r.buf...)
		}
		r.buf = r.buf[:from+more]
		if _, err := io.ReadFull(r.in, r.buf[from:]); err != nil {
			return err
		}
	}
	return nil
}

// torn is what an error of the stream means: an end in the middle of the
// compressed data, or data that the power left spoiled, is a torn file.
func torn(err error) error {
	var spoiled flate.CorruptInputError
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, gzip.ErrChecksum) || errors.Is(err, gzip.ErrHeader) || errors.As(err, &spoiled) {
		return ErrTorn
	}
	return err
}

// tornRecord is torn inside a record, where no file ends by itself.
func tornRecord(err error) error {
	if err == io.EOF {
		return ErrTorn
	}
	return torn(err)
}
