package registers

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"strokebank/rules/alarm"
)

// WriteText writes the map for a person.
func (m *Map) WriteText(w io.Writer) error {
	if _, err := fmt.Fprintf(w, `Unit %s: device %d, map version %d, signature %d

Read only. Registers are read with function code 3 or 4, bits with 1 or 2. Addresses count
from 0, as on the wire; a list that counts from 1 has the number behind the slash. A number
in one register is signed; one in two is too, the high word first: read both in one request.
Not known is 0x8000 (-32768) in one register, 0x80000000 (-2147483648) in two; what is too
large for its registers stands at their end, 32767 or 2147483647. A thing that is true or
false has two bits, one for each: both 0 means that it is not known. Everything but version,
signature, heartbeat, age and whether data are fresh and the reserve is known is not known
once the data are older than three scans. An alarm is told in a register and in four bits;
its states are %s.
The alarms follow what the unit has: when the signature is another, print this list again.

`, m.Unit, m.Device, Version, m.Signature, alarmStates()); err != nil {
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "REGISTERS\tSIZE\tNAME\tONE IS\tMEANING")
	for i := range m.words.rows {
		r := &m.words.rows[i]
		fmt.Fprintf(t, "%d / %d\t%d\t%s\t%s\t%s\n", r.at, r.at+1, r.size, r.name, r.one(), r.doc)
	}
	fmt.Fprintln(t, "\nBITS\t\tNAME\t\tMEANING")
	for i := range m.bits.rows {
		r := &m.bits.rows[i]
		fmt.Fprintf(t, "%d / %d\t\t%s\t\t%s\n", r.at, r.at+1, r.name, r.doc)
	}
	return t.Flush()
}

// alarmStates is the numbers that the register of an alarm holds, in words.
func alarmStates() string {
	var words []string
	for i, state := range alarm.States() {
		if state != alarm.NotKnown {
			words = append(words, fmt.Sprintf("%d %s", i+1, state))
		}
	}
	return strings.Join(words, ", ")
}

// one is what one of the register means.
func (r *row) one() string {
	if r.unit == "" {
		return ""
	}
	return strconv.FormatFloat(r.step, 'g', -1, 64) + " " + r.unit
}

// CSVHeader is the first line of a table of maps.
var CSVHeader = []string{"unit", "device", "space", "address_from_0", "number_from_1", "registers", "name", "step", "engineering_unit", "unknown", "meaning"}

// WriteCSV writes the map for a program, without a header.
func (m *Map) WriteCSV(w *csv.Writer) error {
	for _, s := range []struct {
		name string
		rows []row
	}{{"register", m.words.rows}, {"bit", m.bits.rows}} {
		for i := range s.rows {
			r := &s.rows[i]
			size, step, unknown := strconv.Itoa(int(r.size)), strconv.FormatFloat(r.step, 'g', -1, 64), "-32768"
			switch r.size {
			case aBit:
				size, step, unknown = "", "", "0 in both bits"
			case two:
				unknown = "-2147483648"
			}
			if err := w.Write([]string{m.Unit, strconv.Itoa(int(m.Device)), s.name, strconv.Itoa(int(r.at)), strconv.Itoa(int(r.at) + 1),
				size, r.name, step, r.unit, unknown, r.doc}); err != nil {
				return err
			}
		}
	}
	return nil
}
