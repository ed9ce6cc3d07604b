package main

import (
	"bufio"
	"bytes"
	"compress/flate"
	"compress/gzip"
	"errors"
	"io"
	"strconv"
	"time"
)

// mostLine bounds a line of a table, bytes.
const mostLine = 1 << 20

// lines reads a text, compressed or not, line by line.
type lines struct {
	name   string
	number int // of the last line, from 1
	in     *bufio.Reader
	long   []byte // a line that is longer than the reader's buffer
}

func newLines(name string, in io.Reader) (*lines, error) {
	text := bufio.NewReaderSize(in, 64<<10)
	mark, _ := text.Peek(2) // an error comes again with the first line
	if bytes.Equal(mark, []byte("\x1f\x8b")) {
		zip, err := gzip.NewReader(text)
		if err != nil {
			return nil, badInput("%s: the gzip stream is broken at its beginning: %v; compress it anew", name, err)
		}
		text = bufio.NewReaderSize(zip, 64<<10)
	}
	begin, _ := text.Peek(3)
	switch {
	case bytes.HasPrefix(begin, []byte("\xef\xbb\xbf")):
		_, _ = text.Discard(3) // they are in the buffer
	case bytes.HasPrefix(begin, []byte("\xff\xfe")), bytes.HasPrefix(begin, []byte("\xfe\xff")):
		return nil, badInput("%s: line 1: it is UTF-16 text; save it as CSV in UTF-8", name)
	}
	return &lines{name: name, in: text}, nil
}

// next is the next line without its end; it is valid until the one after.
func (l *lines) next() ([]byte, error) {
	l.number++
	line, err := l.in.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		l.long = append(l.long[:0], line...)
		for errors.Is(err, bufio.ErrBufferFull) {
			if len(l.long) > mostLine {
				return nil, badInput("%s: line %d: it is longer than %d bytes; write one scan a line, with an end after each", l.name, l.number, mostLine)
			}
			line, err = l.in.ReadSlice('\n')
			l.long = append(l.long, line...)
		}
		line = l.long
	}
	switch {
	case err == io.EOF && len(line) == 0:
		l.number--
		return nil, io.EOF
	case err != nil && err != io.EOF:
		return nil, l.broken(err)
	}
	return bytes.TrimSuffix(bytes.TrimSuffix(line, []byte("\n")), []byte("\r")), nil
}

// broken says where a stream cannot be read any more.
func (l *lines) broken(err error) error {
	var spoiled flate.CorruptInputError
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return badInput("%s: line %d: the gzip stream ends in the middle; copy the file again, whole", l.name, l.number)
	case errors.As(err, &spoiled), errors.Is(err, gzip.ErrChecksum), errors.Is(err, gzip.ErrHeader):
		return badInput("%s: line %d: the gzip stream is broken: %v; copy the file again, whole", l.name, l.number, err)
	}
	return err
}

var errQuote = errors.New("a quote is not closed; close it in the same line, and double quotes inside it")

// splitCells splits a line of CSV (RFC 4180) without line ends inside cells.
func splitCells(line []byte, to [][]byte) ([][]byte, error) {
	for {
		if len(line) > 0 && line[0] == '"' {
			cell, rest, err := quoted(line[1:])
			if err != nil {
				return to, err
			}
			to = append(to, cell)
			if len(rest) == 0 {
				return to, nil
			}
			line = rest[1:]
			continue
		}
		comma := bytes.IndexByte(line, ',')
		if comma < 0 {
			return append(to, line), nil
		}
		to, line = append(to, line[:comma]), line[comma+1:]
	}
}

// quoted is a cell up to its closing quote, and what stands behind it: nothing
// or a comma and more.
func quoted(line []byte) (cell, rest []byte, err error) {
	for {
		end := bytes.IndexByte(line, '"')
		switch {
		case end < 0:
			return nil, nil, errQuote
		case end+1 < len(line) && line[end+1] == '"':
			cell, line = append(cell, line[:end+1]...), line[end+2:]
			continue
		case end+1 < len(line) && line[end+1] != ',':
			return nil, nil, errQuote
		}
		return append(cell, line[:end]...), line[end+1:], nil
	}
}

// parseTime reads an RFC 3339 time of a year that can be meant.
func parseTime(cell []byte) (time.Time, error) {
	at, err := time.Parse(time.RFC3339Nano, string(cell))
	if err == nil && (at.Year() < 1900 || at.Year() > 2200) {
		err = strconv.ErrRange
	}
	return at.UTC(), err
}

// parseNumber reads a decimal number; contacts, which are most cells, take the
// short way.
func parseNumber(cell []byte) (float64, bool) {
	if len(cell) == 1 && cell[0] >= '0' && cell[0] <= '9' {
		return float64(cell[0] - '0'), true
	}
	for _, b := range cell {
		if (b < '0' || b > '9') && b != '.' && b != '-' && b != '+' && b != 'e' && b != 'E' {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(string(cell), 64)
	return v, err == nil
}
