package recording

import (
	"bufio"
	"compress/gzip"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"

	"strokebank/sensors/signal"
)

// point is a point as it stands in a header. The unit is a number there:
// contacts and counts have no symbol that tells them apart.
type point struct {
	ID   signal.ID `json:"id"`
	Unit uint8     `json:"unit"`
	Link string    `json:"link,omitempty"`
}

type headerJSON struct {
	Header
	Points []point `json:"points"`
}

func (h *Header) encode() ([]byte, error) {
	out := headerJSON{Header: *h}
	for _, p := range h.Points {
		out.Points = append(out.Points, point{p.ID, uint8(p.Unit), p.Link})
	}
	return json.Marshal(out)
}

func decodeHeader(text []byte) (Header, error) {
	var in headerJSON
	if err := json.Unmarshal(text, &in); err != nil {
		return Header{}, fmt.Errorf("its header cannot be read: %w", err)
	}
	switch {
	case in.Format > formatVersion:
		return Header{}, fmt.Errorf("it has format %d, this program knows up to %d: take a newer one", in.Format, formatVersion)
	case in.Format < 1 || in.Unit == "" || len(in.Points) == 0 || len(in.Points) > mostPoints:
		return Header{}, errors.New("its header is not whole")
	}
	h := in.Header
	for _, p := range in.Points {
		h.Points = append(h.Points, signal.Point{ID: p.ID, Unit: signal.Unit(p.Unit), Link: p.Link})
	}
	return h, nil
}

// written is one file under way. One goroutine.
type written struct {
	path  string
	file  *os.File
	out   *bufio.Writer
	zip   *gzip.Writer
	coder *coder
	buf   []byte
	sum   uint32 // of the record before
	bytes int64  // that reached the file
	dirty bool   // something has not
}

// Write counts what goes into the file.
func (w *written) Write(p []byte) (int, error) {
	n, err := w.file.Write(p)
	w.bytes += int64(n)
	return n, err
}

// create begins a file; its name must be free.
func create(path string, h *Header, state, beat []byte) (*written, error) {
	text, err := h.encode()
	if err != nil {
		return nil, err
	}
	file, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	w := &written{path: path, file: file, coder: newCoder(len(h.Points))}
	w.out = bufio.NewWriterSize(w, 16<<10)
	w.zip = gzip.NewWriter(w.out)
	_, err = io.WriteString(w.zip, magic)
	err = errors.Join(err, w.put(recordHeader, text))
	if state != nil {
		err = errors.Join(err, w.put(recordState, state))
	}
	if beat != nil {
		err = errors.Join(err, w.put(recordBeat, beat))
	}
	if err = errors.Join(err, w.flush(), syncDir(filepath.Dir(path))); err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return w, nil
}

// chained is the checksum of a record behind another: spoiled data may well
// repeat a record that was whole, but not in its place.
func chained(before uint32, kind byte, payload []byte) uint32 {
	return crc32.Update(crc32.Update(before, castagnoli, []byte{kind}), castagnoli, payload)
}

// put writes one record.
func (w *written) put(kind byte, payload []byte) error {
	if len(payload) >= mostRecord {
		return fmt.Errorf("a record of %d bytes, %d at most", len(payload), mostRecord)
	}
	head := append(binary.AppendUvarint(nil, uint64(len(payload)+1)), kind)
	w.sum = chained(w.sum, kind, payload)
	w.dirty = true
	for _, part := range [...][]byte{head, payload, binary.LittleEndian.AppendUint32(nil, w.sum)} {
		if _, err := w.zip.Write(part); err != nil {
			return err
		}
	}
	return nil
}

func (w *written) putJSON(kind byte, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return w.put(kind, text)
}

func (w *written) putScan(s *signal.Scan) (err error) {
	if w.buf, err = w.coder.append(w.buf[:0], s); err != nil {
		return err
	}
	return w.put(recordScan, w.buf)
}

// flush hands all that was written to the system, which keeps it when the
// process dies.
func (w *written) flush() error {
	if !w.dirty {
		return nil
	}
	w.dirty = false
	return errors.Join(w.zip.Flush(), w.out.Flush())
}

// close completes the file and makes it durable.
func (w *written) close() error {
	return errors.Join(w.zip.Close(), w.out.Flush(), w.file.Sync(), w.file.Close())
}

// syncDir makes the names in a directory durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
