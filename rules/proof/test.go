package proof

import (
	"errors"
	"fmt"
	"time"
)

// Outcome is what a test has shown of one function.
type Outcome string

// The outcomes. A function that failed once in a test has failed in it.
const (
	Pass    Outcome = "pass"
	Fail    Outcome = "fail"
	NotSeen Outcome = "not seen"
)

// Result is the outcome of one function in a test, and by which event.
type Result struct {
	Function string  `json:"function"`
	Title    string  `json:"title"`
	Outcome  Outcome `json:"outcome"`
	By       string  `json:"by,omitempty"`
}

// Test is the record of a proof test.
type Test struct {
	By      string    `json:"by"` // who announced it
	Note    string    `json:"note,omitempty"`
	Begin   time.Time `json:"begin"`
	End     time.Time `json:"end,omitzero"` // zero: under way
	Results []Result  `json:"results"`
}

// Errors of a test.
var (
	ErrUnderWay = errors.New("a test is under way already")
	ErrNoTest   = errors.New("no test is under way")
)

// Begin announces a test by a person.
func (b *Book) Begin(by, note string, now time.Time) error {
	if b.test != nil {
		return fmt.Errorf("announced by %s at %s: %w", b.test.By, b.test.Begin.UTC().Format(time.RFC3339), ErrUnderWay)
	}
	b.test = b.sheet(by, note, now)
	return nil
}

// End closes the test and gives its record.
func (b *Book) End(now time.Time) (Test, error) {
	if b.test == nil {
		return Test{}, ErrNoTest
	}
	t := *b.test
	t.End, b.test = now, nil
	return t, nil
}

// sheet is a record with nothing seen yet.
func (b *Book) sheet(by, note string, now time.Time) *Test {
	t := &Test{By: by, Note: note, Begin: now}
	for _, f := range b.functions {
		t.Results = append(t.Results, Result{Function: f.Name, Title: f.Title, Outcome: NotSeen})
	}
	return t
}

// take copies the outcomes of the functions that t has.
func (t *Test) take(results []Result) {
	for _, r := range results {
		for i := range t.Results {
			if t.Results[i].Function == r.Function {
				t.Results[i].Outcome, t.Results[i].By = r.Outcome, r.By
			}
		}
	}
}

// Count is how many functions had an outcome.
func (t *Test) Count(o Outcome) int {
	n := 0
	for i := range t.Results {
		if t.Results[i].Outcome == o {
			n++
		}
	}
	return n
}

// Clone is a copy that later proofs do not change; nil of nil.
func (t *Test) Clone() *Test {
	if t == nil {
		return nil
	}
	c := *t
	c.Results = append([]Result(nil), t.Results...)
	return &c
}
