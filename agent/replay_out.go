package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"io"

	"strokebank/agent/internal/recording"
	"strokebank/rules"
)

// mostWaiting bounds the events that wait for their numbers; past it they go
// out without.
const mostWaiting = 10_000

// journalOut writes events as JSON lines in the form in which the agent
// publishes them. With the numbers of a recording they are the same bytes.
type journalOut struct {
	out      *bufio.Writer
	numbered bool // numbers come with the recording

	waiting []waiting
	seq     uint64 // of what has no numbers

	written, same, unnumbered, missing int
}

// waiting is an event whose number has not come yet.
type waiting struct {
	event rules.Event
	text  []byte
}

func newJournalOut(w io.Writer, numbered bool) *journalOut {
	return &journalOut{out: bufio.NewWriterSize(w, 64<<10), numbered: numbered}
}

// put takes the next event in.
func (j *journalOut) put(e *rules.Event) error {
	if !j.numbered {
		j.seq++
		j.unnumbered++
		return j.line(&rules.Entry{Schema: rules.Schema, ID: fmt.Sprintf("replay-%d", j.seq), Seq: j.seq, Event: *e})
	}
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	j.waiting = append(j.waiting, waiting{event: *e, text: text})
	if len(j.waiting) > mostWaiting {
		return j.let(1)
	}
	return nil
}

// let writes the first n that wait, without numbers.
func (j *journalOut) let(n int) error {
	for i := range n {
		j.unnumbered++
		if err := j.line(&rules.Entry{Schema: rules.Schema, Event: j.waiting[i].event}); err != nil {
			return err
		}
	}
	j.waiting = j.waiting[n:]
	return nil
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// give gives numbers to the events that the live agent gave them to. What it
// did not write, or wrote otherwise, has none.
func (j *journalOut) give(g *recording.Given) error {
	j.written += g.Count
	for at := 0; at+g.Count <= len(j.waiting); at++ {
		if !j.fits(at, g) {
			continue
		}
		if err := j.let(at); err != nil {
			return err
		}
		for i := range g.Count {
			seq := g.First + uint64(i)
			e := rules.Entry{Schema: rules.Schema, ID: fmt.Sprintf("%s-%d", g.Prefix, seq), Seq: seq, Durable: g.Durable, Event: j.waiting[i].event}
			if err := j.line(&e); err != nil {
				return err
			}
		}
		j.same += g.Count
		j.waiting = j.waiting[g.Count:]
		return nil
	}
	j.missing += g.Count
	return nil
}

func (j *journalOut) fits(at int, g *recording.Given) bool {
	sum := uint32(0)
	for i := range g.Count {
		sum = crc32.Update(sum, castagnoli, j.waiting[at+i].text)
	}
	return sum == g.Sum
}

// end lets go what waits: the watch has ended, and no number follows.
func (j *journalOut) end() error { return j.let(len(j.waiting)) }

func (j *journalOut) line(e *rules.Entry) error {
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	_, err = j.out.Write(append(text, '\n'))
	return err
}

// flush brings everything to the outside.
func (j *journalOut) flush() error { return j.out.Flush() }

// verdict says how the events stand against those of the live agent.
func (j *journalOut) verdict() string {
	switch {
	case !j.numbered:
		return fmt.Sprintf("%d events", j.unnumbered)
	case j.missing == 0 && j.unnumbered == 0:
		return fmt.Sprintf("%d events, all byte for byte as the agent wrote them", j.same)
	}
	return fmt.Sprintf("%d events byte for byte as the agent wrote them; %d of the agent's did not come again; %d came that it is not known to have written (without id)",
		j.same, j.missing, j.unnumbered)
}
