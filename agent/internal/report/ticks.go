package report

import (
	"math"
	"strconv"
	"time"
)

// ticks are round values from low to high, about as many as wanted, and the
// decimals that they need.
func ticks(low, high float64, wanted int) (values []float64, decimals int) {
	if !(high > low) || wanted < 1 {
		return nil, 0
	}
	step := math.Pow(10, math.Floor(math.Log10((high-low)/float64(wanted))))
	for _, m := range [...]float64{1, 2, 5, 10} {
		if (high-low)/(step*m) <= float64(wanted) {
			step *= m
			break
		}
	}
	decimals = max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	const most = 50 // whatever the floats do
	for i := math.Ceil(low/step - 1e-9); float64(i)*step <= high+step*1e-9 && len(values) < most; i++ {
		values = append(values, i*step)
	}
	return values, decimals
}

// decimal writes a number without the sign of a zero.
func decimal(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if zero, err := strconv.ParseFloat(text, 64); err == nil && zero == 0 {
		return strconv.FormatFloat(0, 'f', decimals, 64)
	}
	return text
}

// moment is a mark on an axis of time.
type moment struct {
	at   time.Time
	text string
}

// steps of an axis of time: so many months, days or hours, and how they read.
var timeSteps = []struct {
	months, days, hours int
	form                string
}{
	{hours: 1, form: "15:04"}, {hours: 3, form: "15:04"}, {hours: 6, form: "01-02 15:04"}, {days: 1, form: "01-02"},
	{days: 2, form: "01-02"}, {days: 7, form: "01-02"}, {days: 14, form: "01-02"}, {months: 1, form: "2006-01"},
	{months: 2, form: "2006-01"}, {months: 3, form: "2006-01"}, {months: 6, form: "2006-01"}, {months: 12, form: "2006"},
	{months: 24, form: "2006"}, {months: 60, form: "2006"}, {months: 120, form: "2006"},
}

// moments are the marks between two times by the calendar of a zone, at most
// as many as wanted.
func moments(from, to time.Time, zone *time.Location, wanted int) (list []moment) {
	span := to.Sub(from)
	if span <= 0 {
		return nil
	}
	for _, s := range timeSteps {
		length := time.Duration(s.months)*30*24*time.Hour + time.Duration(s.days)*24*time.Hour + time.Duration(s.hours)*time.Hour
		if int64(span/length) >= int64(wanted) {
			continue
		}
		for at := firstMoment(from.In(zone), s.months, s.days, s.hours); !at.After(to) && len(list) <= wanted; {
			if !at.Before(from) {
				list = append(list, moment{at, at.Format(s.form)})
			}
			next := at.AddDate(0, s.months, s.days).Add(time.Duration(s.hours) * time.Hour)
			if !next.After(at) {
				return list
			}
			at = next
		}
		return list
	}
	return nil
}

// firstMoment is the beginning of the step that a time lies in.
func firstMoment(t time.Time, months, days, hours int) time.Time {
	switch {
	case months >= 12:
		return time.Date(t.Year()-t.Year()%(months/12), 1, 1, 0, 0, 0, 0, t.Location())
	case months > 0:
		return time.Date(t.Year(), (t.Month()-1)/time.Month(months)*time.Month(months)+1, 1, 0, 0, 0, 0, t.Location())
	case days >= 7:
		return time.Date(t.Year(), t.Month(), t.Day()-(int(t.Weekday())+6)%7, 0, 0, 0, 0, t.Location())
	case days > 0:
		return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, t.Location())
	}
	return time.Date(t.Year(), t.Month(), t.Day(), t.Hour()/hours*hours, 0, 0, 0, t.Location())
}

// calendar cuts a time into days, weeks, months or years, whichever makes no
// more than about a hundred pieces, and says which. The first and the last are
// as long as the time asked for lets them be.
func calendar(from, to time.Time, zone *time.Location) (edges []time.Time, each string) {
	span := to.Sub(from).Hours() / 24
	months, days := 12, 0
	switch {
	case span <= 62:
		months, days, each = 0, 1, "day"
	case span <= 400:
		months, days, each = 0, 7, "week"
	case span <= 3660:
		months, days, each = 1, 0, "month"
	default:
		each = "year"
	}
	edges = []time.Time{from}
	const most = 400
	for at := firstMoment(from.In(zone), months, days, 1).AddDate(0, months, days); at.Before(to) && len(edges) < most; at = at.AddDate(0, months, days) {
		edges = append(edges, at)
	}
	return append(edges, to), each
}
