package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// added are the columns that suppose writes behind those of the input.
var added = []string{"at_least_cycles", "at_least_volume_m3", "expected_cycles", "expected_volume_m3",
	"isothermal_cycles", "adiabatic_cycles", "limit", "problem"}

// states is a table of states under way: one row in, the same row with the
// figures out, nothing kept.
type states struct {
	in    *csv.Reader
	out   *csv.Writer
	width int   // cells of the header
	at    []int // per column its place, -1 where absent

	rows, bad int
	row       []string
}

// supposeTable computes every row of a CSV table. It reports on said how many
// rows there were and what of the header was not used.
func supposeTable(ctx context.Context, in io.Reader, out, said io.Writer) error {
	text, err := textOf(in)
	if err != nil {
		return err
	}
	s := &states{in: csv.NewReader(text), out: csv.NewWriter(out)}
	s.in.FieldsPerRecord, s.in.ReuseRecord = -1, true
	if err := s.header(said); err != nil {
		return err
	}
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		more, err := s.next()
		if err != nil {
			return err
		}
		if !more {
			break
		}
	}
	s.out.Flush()
	if err := s.out.Error(); err != nil {
		return err
	}
	fmt.Fprintf(said, "%d rows, %d of them with a problem\n", s.rows, s.bad)
	return nil
}

// textOf is the input without a byte order mark.
func textOf(in io.Reader) (io.Reader, error) {
	text := bufio.NewReaderSize(in, 1<<16)
	mark, err := text.Peek(3)
	if err != nil && err != io.EOF {
		return nil, err
	}
	switch {
	case bytes.HasPrefix(mark, []byte("\xef\xbb\xbf")):
		text.Discard(3)
	case bytes.HasPrefix(mark, []byte("\xff\xfe")), bytes.HasPrefix(mark, []byte("\xfe\xff")):
		return nil, errors.New("is UTF-16 text: save it as CSV in UTF-8")
	}
	return text, nil
}

// header finds the columns and writes the header of the output.
func (s *states) header(said io.Writer) error {
	record, err := s.in.Read()
	switch {
	case err == io.EOF:
		return errors.New("is empty: the first line must name the columns")
	case err != nil:
		return err
	}
	names := make([]string, len(record))
	for i, name := range record {
		names[i] = strings.Clone(strings.TrimSpace(name))
	}
	if err := s.find(names); err != nil {
		return err
	}
	s.width = len(names)
	for _, note := range s.notes(names) {
		fmt.Fprintln(said, note)
	}
	s.row = append(append(s.row[:0], record...), added...)
	return s.out.Write(s.row)
}

// find places the columns among the names of the header, or says all that is
// wrong with it.
func (s *states) find(names []string) error {
	var faults []string
	for i, name := range names {
		switch {
		case slices.Contains(added, name):
			faults = append(faults, fmt.Sprintf("column %q is one that this command adds: remove it", name))
		case name != "" && slices.Contains(names[:i], name):
			faults = append(faults, fmt.Sprintf("column %q stands twice", name))
		}
	}
	var missing []string
	s.at = make([]int, len(columns))
	for i, c := range columns {
		s.at[i] = slices.Index(names, c.name)
		if s.at[i] < 0 && !c.absent {
			missing = append(missing, c.name)
		}
	}
	switch {
	case len(missing) > 0 && len(names) == 1 && strings.Contains(names[0], ";"):
		faults = append(faults, "the header has no commas: separate the columns by commas, with decimal points in the numbers")
	case len(missing) > 0:
		faults = append(faults, "the first line must name the columns; it lacks "+strings.Join(missing, ", "))
	}
	if faults != nil {
		return errors.New(strings.Join(faults, "; "))
	}
	return nil
}

// notes tells what a person would want to know of a header: a band under a
// misspelt name would be no band at all.
func (s *states) notes(names []string) (notes []string) {
	var unused, exact []string
	for _, name := range names {
		if !slices.ContainsFunc(columns, func(c column) bool { return c.name == name }) {
			unused = append(unused, name)
		}
	}
	for i, c := range columns {
		if s.at[i] < 0 {
			exact = append(exact, c.name)
		}
	}
	if unused != nil {
		notes = append(notes, "carried through, not used: "+strings.Join(unused, ", "))
	}
	if exact != nil {
		notes = append(notes, "absent, so taken as exact: "+strings.Join(exact, ", "))
	}
	return notes
}

// next computes one row; more is false at the end of the input.
func (s *states) next() (more bool, err error) {
	record, err := s.in.Read()
	if err == io.EOF {
		return false, nil
	}
	var broken *csv.ParseError
	if errors.As(err, &broken) && broken.StartLine == broken.Line {
		err = fmt.Errorf("line %d, column %d: %w", broken.Line, broken.Column, broken.Err)
	} else if err != nil {
		return false, fmt.Errorf("%w (rows after that quote cannot be told apart)", err)
	} else if len(record) != s.width {
		err = fmt.Errorf("has %d cells, the header has %d", len(record), s.width)
	}
	s.rows++
	var v reserve.Verdict
	if err == nil {
		v, err = s.judge(record)
	}
	s.row = append(s.row[:0], record[:min(len(record), s.width)]...)
	for len(s.row) < s.width {
		s.row = append(s.row, "")
	}
	if err != nil {
		s.bad++
		s.row = append(s.row, "", "", "", "", "", "", "", err.Error())
	} else {
		s.row = append(s.row, strconv.Itoa(v.AtLeastCycles), decimal(v.AtLeastVolume), decimal(v.ExpectedCycles), decimal(v.ExpectedVolume),
			strconv.Itoa(v.IsothermalCycles), strconv.Itoa(v.AdiabaticCycles), string(v.Limit), "")
	}
	return true, s.out.Write(s.row)
}

// judge computes one row, or says everything that is wrong with it.
func (s *states) judge(record []string) (reserve.Verdict, error) {
	c := reserve.Case{WallTemperature: signal.Unknown(), HeatExchange: signal.Unknown()}
	var faults []string
	for i := range columns {
		col := &columns[i]
		if s.at[i] < 0 {
			continue
		}
		v, known, err := col.read(record[s.at[i]])
		if err != nil {
			faults = append(faults, err.Error())
		} else if known {
			col.put(&c, v)
		}
	}
	if faults != nil {
		return reserve.Verdict{}, errors.New(strings.Join(faults, "; "))
	}
	return c.Evaluate()
}
