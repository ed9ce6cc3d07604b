package recording

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"io"
	"os"
	"testing"

	"strokebank/sensors/signal"
)

func gzipped(t testing.TB, text string) string {
	t.Helper()
	var out bytes.Buffer
	zip := gzip.NewWriter(&out)
	if _, err := io.WriteString(zip, text); err != nil {
		t.Fatal(err)
	}
	if err := zip.Close(); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// recordOf is one record with a right checksum.
func recordOf(kind byte, payload string) []byte {
	out := binary.AppendUvarint(nil, uint64(len(payload)+1))
	body := append([]byte{kind}, payload...)
	return binary.LittleEndian.AppendUint32(append(out, body...), chained(0, kind, []byte(payload)))
}

// Any stream of records is read to its end or refused; never more than a
// record is held.
func FuzzReader(f *testing.F) {
	files := record(f, Options{Dir: f.TempDir()}, 30, true)
	text, err := os.ReadFile(files[0].Path)
	if err != nil {
		f.Fatal(err)
	}
	zip, err := gzip.NewReader(bytes.NewReader(text))
	if err != nil {
		f.Fatal(err)
	}
	plain, err := io.ReadAll(zip)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(plain)
	f.Add(plain[:len(plain)/2])
	f.Add(append([]byte(magic), recordOf(recordHeader, `{"format":1,"unit":"AU-7","points":[{"id":"level","unit":5}]}`)...))
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := newReader(bytes.NewReader(text))
		for err == nil {
			var it Item
			err = r.Next(&it)
			if err == nil && it.Kind == Scan && len(it.Scan.Readings) != len(r.Header.Points) {
				t.Errorf("a scan of %d readings for %d points", len(it.Scan.Readings), len(r.Header.Points))
			}
		}
	})
}

// A scan that can be read is written as one that reads the same.
func FuzzScan(f *testing.F) {
	c := newCoder(len(points))
	for i := range 50 {
		s := scanOf(i)
		p, err := c.append(nil, &s)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		var s, again signal.Scan
		if newCoder(len(points)).read(p, &s) != nil {
			return
		}
		q, err := newCoder(len(points)).append(nil, &s)
		if err != nil {
			t.Fatal(err)
		}
		if err := newCoder(len(points)).read(q, &again); err != nil {
			t.Fatal(err)
		}
		if len(s.Readings) != len(again.Readings) || s.Number != again.Number || !s.Time.Equal(again.Time) || s.Elapsed != again.Elapsed {
			t.Errorf("%+v, then %+v", s, again)
		}
		for i := range s.Readings {
			if !same(&s.Readings[i], &again.Readings[i]) || !s.Readings[i].Time.Equal(again.Readings[i].Time) {
				t.Errorf("%+v, then %+v", s.Readings[i], again.Readings[i])
			}
		}
	})
}
