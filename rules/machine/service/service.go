// Package service keeps when each task of maintenance is due: by run hours, by
// starts and by date, whichever comes first. Pure computation; a Book is not
// safe for concurrent use.
package service

import (
	"fmt"
	"math"
	"time"

	"strokebank/sensors/signal"
)

// Task is one thing to be done again and again at a source: a machine's
// position, or "unit". A limit of 0 does not count.
type Task struct {
	Source string
	Name   string        // "oil", "air_filter": part of the command that says it was done
	Title  string        // for a person
	Run    float64       // s of run time
	Starts float64       // starts
	Every  time.Duration // by the calendar
	Ahead  float64       // last part of the interval, in which it is coming due; 0: a tenth
	// Until somebody says that it was done: when it is due first, by the
	// calendar and by the run time on the machine's meter, s. Zero: an interval
	// after the program began to count. Each needs the interval of its kind.
	FirstDate time.Time
	FirstRun  float64
}

// Usual are the tasks that such units commonly have; common practice, no
// source: the maker's book and the site decide. kind is "pump", "compressor" or
// "unit".
func Usual(kind, source string) []Task {
	const hour, day = 3600.0, 24 * time.Hour
	switch kind {
	case "pump":
		return []Task{
			{Source: source, Name: "strainer", Title: "Clean the suction strainer", Run: 1000 * hour, Every: 365 * day},
			{Source: source, Name: "coupling", Title: "Look at coupling and shaft seal", Run: 2000 * hour, Every: 365 * day},
		}
	case "compressor":
		return []Task{
			{Source: source, Name: "oil", Title: "Change the compressor's oil", Run: 500 * hour, Every: 365 * day},
			{Source: source, Name: "air_filter", Title: "Change the air filter", Run: 500 * hour, Every: 365 * day},
			{Source: source, Name: "belts", Title: "Look at the belts", Run: 250 * hour, Every: 182 * day},
		}
	default:
		return []Task{
			{Source: source, Name: "condensate", Title: "Drain condensate", Every: 30 * day},
			{Source: source, Name: "filter_element", Title: "Change the return filter's element", Every: 365 * day},
			{Source: source, Name: "relief_valve", Title: "Have the relief valve tested", Every: 365 * day},
		}
	}
}

// Done says that a task was done. It is saved as it stands.
type Done struct {
	Source string    `json:"source"`
	Name   string    `json:"task"`
	Time   time.Time `json:"time,omitzero"` // zero: the clock was not trusted
	Run    float64   `json:"run_seconds"`   // of the machine then
	Starts float64   `json:"starts"`
	By     string    `json:"by,omitempty"`
	Note   string    `json:"note,omitempty"`
	// Assumed: nobody has said so; the program began to count here.
	Assumed bool `json:"assumed"`
}

// The states of a task.
const (
	Well   = "well"
	Coming = "coming due"
	Due    = "due"
)

// Status is the present view of a task. Used is how much of the interval has
// passed, by the limit that is nearest; over 1: by so much too long. What the
// task does not count by, or what is not known yet, is unknown.
type Status struct {
	Source  string  `json:"source"`
	Name    string  `json:"task"`
	Title   string  `json:"title"`
	State   string  `json:"state"`
	Nearest string  `json:"nearest"` // "run", "starts", "date"
	Used    float64 `json:"used_ratio"`
	Last    Done    `json:"last"`

	DueRun     signal.Number `json:"due_at_run_seconds"` // on the machine's meter
	DueStarts  signal.Number `json:"due_at_starts"`
	RunLeft    signal.Number `json:"run_until_due_seconds"` // below 0: so much too long
	StartsLeft signal.Number `json:"starts_until_due"`
	DueDate    time.Time     `json:"due_date,omitzero"`
	// Forecast is when it will be due, whichever comes first: by the calendar,
	// or with what the machine runs and starts at present. Zero where it is due
	// already, or nothing tells yet.
	Forecast time.Time `json:"forecast,omitzero"`
}

// Use is what a source has done so far, and its pace: run seconds and starts a
// second of watched time, not above 0 where it is not known.
type Use struct {
	Time       time.Time
	Trusted    bool
	Run        float64 // s
	Starts     float64
	RunPace    float64
	StartsPace float64
}

// ahead is the last part of an interval, where a task does not say.
const ahead = 0.1

// Book keeps the tasks of one unit.
type Book struct {
	tasks []Task
	last  []Done
	view  []Status
}

// check reports a task that could never be due, or could not be told apart.
func (t *Task) check() error {
	switch {
	case t.Source == "" || t.Name == "" || !(t.Run >= 0) || !(t.Starts >= 0) || t.Every < 0 || (t.Run == 0 && t.Starts == 0 && t.Every == 0):
		return fmt.Errorf("service task %q of %q has no interval, or no name", t.Name, t.Source)
	case !t.FirstDate.IsZero() && t.Every == 0, !(t.FirstRun >= 0), t.FirstRun > 0 && t.Run == 0:
		return fmt.Errorf("service task %q of %s is due first by what it has no interval of", t.Name, t.Source)
	}
	return nil
}

// NewBook begins with what was saved; a task of which nothing is known counts
// from the first time it is looked at.
func NewBook(tasks []Task, saved []Done) (*Book, error) {
	b := &Book{tasks: append([]Task(nil), tasks...), last: make([]Done, len(tasks)), view: make([]Status, len(tasks))}
	for i := range b.tasks {
		t := &b.tasks[i]
		if err := t.check(); err != nil {
			return nil, err
		}
		for _, other := range b.tasks[:i] {
			if other.Source == t.Source && other.Name == t.Name {
				return nil, fmt.Errorf("service task %q of %s stands twice", t.Name, t.Source)
			}
		}
		if !(t.Ahead > 0) {
			t.Ahead = ahead
		}
		b.view[i] = Status{Source: t.Source, Name: t.Name, Title: t.Title, State: Well}
		b.last[i] = Done{Source: t.Source, Name: t.Name, Assumed: true, Run: math.NaN()}
		for _, d := range saved {
			if d.Source == t.Source && d.Name == t.Name {
				b.last[i] = d
			}
		}
	}
	return b, nil
}

// Look brings the view up to what each source has done by now. It does not
// allocate; the view belongs to the book.
func (b *Book) Look(of func(source string) Use) []Status {
	for i := range b.tasks {
		u, d := of(b.tasks[i].Source), &b.last[i]
		if math.IsNaN(d.Run) {
			d.Run, d.Starts = u.Run, u.Starts
		}
		if d.Time.IsZero() && u.Trusted {
			d.Time = u.Time
		}
		b.look(i, &u)
	}
	return b.view
}

// look brings one task's view up to date.
func (b *Book) look(i int, u *Use) {
	t, d, s := &b.tasks[i], &b.last[i], &b.view[i]
	s.Used, s.Nearest, s.Last = 0, "", *d
	s.DueDate, s.Forecast = time.Time{}, time.Time{}
	part := func(name string, left, limit float64) {
		if used := 1 - left/limit; s.Nearest == "" || used > s.Used {
			s.Used, s.Nearest = used, name
		}
	}
	s.DueRun, s.RunLeft = left(d.Run+t.Run, u.Run, t.Run)
	if d.Assumed && t.FirstRun > 0 {
		s.DueRun, s.RunLeft = left(t.FirstRun, u.Run, t.Run)
	}
	s.DueStarts, s.StartsLeft = left(d.Starts+t.Starts, u.Starts, t.Starts)
	if t.Run > 0 {
		part("run", float64(s.RunLeft), t.Run)
	}
	if t.Starts > 0 {
		part("starts", float64(s.StartsLeft), t.Starts)
	}
	if s.DueDate = t.date(d); !s.DueDate.IsZero() && u.Trusted {
		part("date", s.DueDate.Sub(u.Time).Seconds(), t.Every.Seconds())
	}
	switch {
	case s.Used >= 1:
		s.State = Due
	case s.Used >= 1-t.Ahead:
		s.State = Coming
	default:
		s.State = Well
	}
	if s.State != Due && u.Trusted {
		s.Forecast = forecast(s, u)
	}
}

// left is at what count a limit is reached and how much that is from now;
// unknown where the task does not count by it.
func left(due, now, limit float64) (at, until signal.Number) {
	if limit <= 0 {
		return signal.Unknown(), signal.Unknown()
	}
	return signal.Number(due), signal.Number(due - now)
}

// date is when the task is due by the calendar; zero where it never is, or
// where nobody knows since when.
func (t *Task) date(d *Done) time.Time {
	switch {
	case t.Every <= 0:
		return time.Time{}
	case d.Assumed && !t.FirstDate.IsZero():
		return t.FirstDate
	case d.Time.IsZero():
		return time.Time{}
	}
	return d.Time.Add(t.Every)
}

// farthest is how far a forecast looks; what lies beyond is not worth a date.
const farthest = 100 * 365 * 24 * time.Hour

// forecast is the first of the dates at which a limit will be reached.
func forecast(s *Status, u *Use) time.Time {
	first := s.DueDate
	by := func(left signal.Number, pace float64) {
		if !left.Known() || !(pace > 0) {
			return
		}
		seconds := float64(left) / pace
		if seconds >= farthest.Seconds() {
			return
		}
		at := u.Time.Add(time.Duration(seconds * float64(time.Second))).Truncate(time.Second)
		if first.IsZero() || at.Before(first) {
			first = at
		}
	}
	by(s.RunLeft, u.RunPace)
	by(s.StartsLeft, u.StartsPace)
	return first
}

// Done writes down that a task was done now, by whom, with a note, and gives
// what it has written.
func (b *Book) Done(source, name, by, note string, u Use) (Done, error) {
	for i, t := range b.tasks {
		if t.Source == source && t.Name == name {
			b.write(i, by, note, u)
			return b.last[i], nil
		}
	}
	return Done{}, fmt.Errorf("there is no service task %q of %s", name, source)
}

// Exchanged begins every task of a source anew: another individual stands
// there, whose run time and starts are other ones.
func (b *Book) Exchanged(source, by string, u Use) {
	for i, t := range b.tasks {
		if t.Source == source {
			b.write(i, by, "exchanged", u)
		}
	}
}

func (b *Book) write(i int, by, note string, u Use) {
	d := Done{Source: b.tasks[i].Source, Name: b.tasks[i].Name, Run: u.Run, Starts: u.Starts, By: by, Note: note}
	if u.Trusted {
		d.Time = u.Time
	}
	b.last[i] = d
}

// Save is what to keep over a restart.
func (b *Book) Save() []Done {
	var out []Done
	for _, d := range b.last {
		if !math.IsNaN(d.Run) {
			out = append(out, d)
		}
	}
	return out
}
