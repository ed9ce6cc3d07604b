// Package recording keeps all that enters the rules of a unit, so that the
// same can be judged again: the state at the start, every scan with its clocks,
// every command, every restart, and under which numbers the events of it went
// into history.
//
// A recording is a directory of files. Each stands for itself: it begins with
// what the rules knew at its first scan. A file is a gzip stream (RFC 1952) of
// records, each with its length and a checksum of its own, so that one whose
// end is torn by a power cut can be read up to there.
//
// What is recorded is flushed to the system with every event, otherwise every
// ten seconds, and synced when a file is complete: a killed process loses no
// event of its recording, a power cut what the system had not written yet.
package recording

import (
	"errors"
	"hash/crc32"
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// formatVersion rises when an older program could not read a file any more.
// Qualities, reasons and units stand in it by their numbers.
const formatVersion = 1

const magic = "strokebank recording\n"

// The kinds of record.
const (
	recordHeader  = 'H' // JSON: Header
	recordState   = 'S' // what rules.New takes as state
	recordBeat    = 'B' // and as beat
	recordScan    = 'N'
	recordCommand = 'C' // JSON: rules.Command
	recordGiven   = 'G' // JSON: Given
	recordMissed  = 'M' // JSON: Missed
	recordEnd     = 'Z' // the watch was told to stop
)

const (
	mostRecord = 16 << 20 // bytes of one record
	mostPoints = 4096
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// ErrTorn says that a file ends in the middle, as a power cut leaves it. What
// stood before was whole.
var ErrTorn = errors.New("the file ends torn, as after a power cut")

// Header is what is fixed in one file.
type Header struct {
	Format  int    `json:"format"`
	Version string `json:"version"` // of the program
	Site    string `json:"site"`
	Unit    string `json:"unit"`
	// Run names one watch from its start to its end; a reload begins another.
	// Part counts the files of a run from 1.
	Run  string `json:"run"`
	Part int    `json:"part"`
	// Settings is a digest of the configuration that the rules had.
	Settings string `json:"settings"`

	Points []signal.Point `json:"-"` // of every scan, in the order of its readings
}

// Given tells that events were recorded in history: in the order in which they
// happened, the next Count got the ids Prefix-First, Prefix-(First+1), ….
type Given struct {
	Prefix  string `json:"prefix"`
	First   uint64 `json:"first"`
	Count   int    `json:"count"`
	Durable bool   `json:"durable"`
	// Sum is the CRC-32C of the events as JSON, one after another.
	Sum uint32 `json:"sum"`
}

// Missed is what is not in the recording, because its queue was full or its
// disk did not take it.
type Missed struct {
	Scans    int `json:"scans"`
	Commands int `json:"commands"`
	Numbers  int `json:"numbers"` // events whose numbers were not kept
}

func (m *Missed) add(n Missed) {
	m.Scans += n.Scans
	m.Commands += n.Commands
	m.Numbers += n.Numbers
}

// Kind is what an item is.
type Kind uint8

// The kinds of item.
const (
	Scan    Kind = iota // a scan, to be judged
	Command             // to be applied with the scan that follows
	Numbers             // of events that came of what stood before
	Gap                 // something is missing here
	End                 // the watch was told to stop; its last numbers may follow
)

// Item is one thing that entered the rules, or what came of it.
type Item struct {
	Kind    Kind
	Scan    signal.Scan
	Command rules.Command
	Given   Given
	Missed  Missed
}

// nanos is t in ns since 1970; the zero time has none.
func nanos(t time.Time) (ns int64, ok bool) {
	if t.IsZero() {
		return 0, false
	}
	return t.UnixNano(), true
}

func moment(ns int64) time.Time { return time.Unix(0, ns).UTC() }
