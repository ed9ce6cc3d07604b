// Package export writes what history knows as tables, row by row: CSV for
// spreadsheets, JSON lines for programs, in constant memory. One description
// of the tables, in tables.go, is the header, the keys, the units and the
// reference.
//
// Quantities are in SI units, which stand in the name of the column, whatever
// the site reads them in: a table goes to other sites. Times are RFC 3339, UTC.
// What is not known is empty in CSV and null in JSON. Names are those of ISO
// 14224 (2016, from memory) where it has one.
package export

import (
	"bufio"
	"fmt"
	"io"
)

// Schema is the version of the tables: it rises when a name or a meaning
// changes, not when a table or column is added.
const Schema = 1

// Form is how rows are written.
type Form string

// The forms. CSV is RFC 4180: a header, lines that end in CR LF, UTF-8. A text
// that a spreadsheet would take for a formula (it begins with = + - @, a tab or
// a carriage return) gets an apostrophe in front of it; numbers never do. JSON
// lines are one object a line with the table's name in it; text is as it was
// written.
const (
	CSV       Form = "csv"
	JSONLines Form = "jsonl"
)

// column is one column of a table: what it is called, what it means, and how
// it is had of a row.
type column[T any] struct {
	name, term, means string // term: of ISO 14224; empty: it has none
	put               func(c *cell, row *T)
}

// Table describes rows of one kind.
type Table[T any] struct {
	Name  string
	At    string // the time by which rows are selected
	Means string

	columns []column[T]
}

// Place is where rows come from: the unit, and the site's tag of each
// position.
type Place struct {
	Unit string
	Tags map[string]string
}

// Sheet writes the rows of a table. One goroutine at a time.
type Sheet[T any] struct {
	table *Table[T]
	out   *bufio.Writer
	form  Form
	cell  cell
}

// NewSheet begins a table; in CSV with its header.
func NewSheet[T any](w io.Writer, form Form, table *Table[T]) (*Sheet[T], error) {
	if form != CSV && form != JSONLines {
		return nil, fmt.Errorf("form %q: use %s or %s", form, CSV, JSONLines)
	}
	s := &Sheet[T]{table: table, form: form, out: bufio.NewWriterSize(w, 64<<10), cell: cell{json: form == JSONLines}}
	if form == JSONLines {
		return s, nil
	}
	for i := range table.columns {
		if i > 0 {
			s.out.WriteByte(',')
		}
		s.out.WriteString(table.columns[i].name)
	}
	_, err := s.out.WriteString("\r\n")
	return s, err
}

// Put writes one row.
func (s *Sheet[T]) Put(from *Place, row *T) error {
	c := &s.cell
	c.place, c.buf = from, c.buf[:0]
	if c.json {
		c.buf = append(append(append(c.buf, `{"table":"`...), s.table.Name...), '"')
	}
	for i := range s.table.columns {
		col := &s.table.columns[i]
		switch {
		case c.json:
			c.buf = append(append(append(c.buf, `,"`...), col.name...), `":`...)
		case i > 0:
			c.buf = append(c.buf, ',')
		}
		col.put(c, row)
	}
	if c.json {
		c.buf = append(c.buf, "}\n"...)
	} else {
		c.buf = append(c.buf, "\r\n"...)
	}
	_, err := s.out.Write(c.buf)
	return err
}

// Flush writes what is still held.
func (s *Sheet[T]) Flush() error { return s.out.Flush() }
