package report

import (
	"math"
	"strings"
	"testing"
	"time"

	"strokebank/rules/alarm"
)

// Run time is laid into the pieces of the calendar that it falls into, and none
// is lost.
func TestDutyByTheCalendar(t *testing.T) {
	d := NewDuty(Span{epoch, days(10)}, time.UTC)
	d.Ran(0, days(1.5), days(3.5), 2*86400, 5, true, true)
	d.Ran(0, days(9.9), days(10), 0.1*86400, 0, false, true)
	d.Ran(1, days(-0.5), days(0.5), 86400, 0, false, false)        // began before
	d.Ran(1, days(5), days(5).Add(-time.Hour), 60, 0, false, true) // the clock was put back
	want := [2][]float64{{0, 43200, 86400, 43200, 0, 0, 0, 0, 0, 8640}, {43200, 0, 0, 0, 0, 60, 0, 0, 0, 0}}
	for k := range want {
		for i, w := range want[k] {
			if math.Abs(d.seconds[k][i]-w) > 1e-6 {
				t.Errorf("machine %d, day %d: %v s, want %v", k, i, d.seconds[k][i], w)
			}
		}
	}
	if d.Run != [2]float64{2.1 * 86400, 86460} || d.Starts != [2]int{2, 1} || d.Doubt[0] != 5 || d.Leads[0] != 1 || d.Longest[0] != 2*86400 {
		t.Errorf("%+v", d)
	}
}

func TestCalendarIsTheZones(t *testing.T) {
	zone := time.FixedZone("here", 5*3600+1800)
	for _, c := range []struct {
		days   float64
		each   string
		pieces int
		second string
	}{{3, "day", 4, "2026-03-02"}, {100, "week", 16, "2026-03-02"}, {1000, "month", 33, "2026-04-01"}, {5000, "year", 14, "2027-01-01"}} {
		edges, each := calendar(epoch, days(c.days), zone)
		if each != c.each || len(edges)-1 != c.pieces || edges[1].In(zone).Format("2006-01-02 15:04") != c.second+" 00:00" {
			t.Errorf("%v days: each %s, %d pieces, the second from %v", c.days, each, len(edges)-1, edges[1])
		}
		for i := 1; i < len(edges); i++ {
			if !edges[i].After(edges[i-1]) {
				t.Errorf("%v days: piece %d is empty", c.days, i)
			}
		}
	}
	if edges, _ := calendar(epoch, epoch, time.UTC); len(edges) != 2 {
		t.Errorf("of nothing: %v", edges)
	}
}

func TestMomentsAreRound(t *testing.T) {
	for _, c := range []struct {
		days float64
		want string
	}{{0.2, "00:00 01:00 02:00 03:00 04:00"}, {1, "00:00 03:00 06:00 09:00 12:00 15:00 18:00 21:00 00:00"},
		{40, "03-02 03-09 03-16 03-23 03-30 04-06"}, {365, "2026-03 2026-05 2026-07 2026-09 2026-11 2027-01 2027-03"}, {3650, "2028 2030 2032 2034 2036"}} {
		var got []string
		for _, m := range moments(epoch, days(c.days), time.UTC, 9) {
			got = append(got, m.text)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%v days: %v", c.days, got)
		}
	}
	if values, decimals := ticks(0.9, 1.23, 5); len(values) < 3 || len(values) > 6 || decimals != 1 {
		t.Errorf("%v, %d", values, decimals)
	}
	if values, _ := ticks(1, 1, 5); values != nil {
		t.Errorf("of nothing: %v", values)
	}
	if got := decimal(-0.001, 1); got != "0.0" {
		t.Errorf("a small negative number is %s", got)
	}
}

// A stretch of a chart holds what counts, where something does.
func TestBins(t *testing.T) {
	b := NewBins(Span{epoch, days(160)})
	b.Add(days(3.1), 5, false)
	b.Add(days(3.2), 10, true)
	b.Add(days(3.3), 7, false)
	b.Add(days(3.4), 20, true)
	b.Add(days(9.5), 4, false)
	b.Add(days(160), 1, true)
	b.Add(days(-1), 1, true)
	b.Add(days(161), 1, true)
	b.Add(days(5), math.NaN(), true)
	if s := b.list[3]; s.n != 2 || s.counts != 2 || s.low != 10 || s.mean != 15 || s.high != 20 {
		t.Errorf("%+v", s)
	}
	if s := b.list[9]; s.n != 1 || s.counts != 0 || s.mean != 4 {
		t.Errorf("%+v", s)
	}
	total := 0
	for _, s := range b.list {
		total += s.n
	}
	if total != 4 || b.list[159].n != 1 {
		t.Errorf("%d in all", total)
	}
	none := NewBins(Span{epoch, epoch})
	none.Add(epoch, 1, true)
}

// A flood is more than ten in ten minutes, by the clock; chatter three in a
// minute; what stood before the span or stands at its end stood for that long.
func TestLoadOfAlarms(t *testing.T) {
	l := NewLoad(Span{epoch, days(2)})
	acknowledged := clear("early", days(0.5))
	acknowledged.From = string(alarm.Acknowledged)
	l.Take(acknowledged) // it was raised before
	for i := range 12 {
		at := days(1).Add(time.Duration(i) * 25 * time.Second)
		l.Take(raise("many", at))
		l.Take(clear("many", at.Add(10*time.Second)))
	}
	l.Take(raise("open", days(1.5)))
	back := raise("open", days(1.6))
	back.From = string(alarm.NotKnown)
	l.Take(back) // no new call
	if n, stood := l.of("early", "unit"); n != 0 || stood != 43200 {
		t.Errorf("the one from before: %d, %v s", n, stood)
	}
	if n, stood := l.of("open", "unit"); n != 1 || stood != 43200 {
		t.Errorf("the one that stands: %d, %v s", n, stood)
	}
	if n, stood := l.of("many", "unit"); n != 12 || stood != 120 {
		t.Errorf("the frequent one: %d, %v s", n, stood)
	}
	r := l.rates()
	if l.raised != 13 || l.worst != 12 || l.floods != 1 || l.chatters != 10 || r.most != 13 || r.mean != 6.5 || r.busy != 0 {
		t.Errorf("%+v %+v", l, r)
	}
	if list := l.frequent(); len(list) != 2 || list[0].name != "many" {
		t.Errorf("%+v", list)
	}
}

// Names at the ends of lines never stand over each other, nor under the frame.
func TestNamesStandApart(t *testing.T) {
	var out strings.Builder
	p := newPaper(&out, time.UTC)
	c := p.picture("t", "", epoch, days(1), 0, 10)
	for _, v := range []float64{0, 0.1, 5, 5.2, 5.1, 0.05, 10, 9.9, 9.8} {
		c.level("base", v, "n")
	}
	c.end("")
	for i := 1; i < len(c.names); i++ {
		if c.names[i].y-c.names[i-1].y < 11.99 {
			t.Errorf("%+v", c.names)
		}
	}
	if first, last := c.names[0].y, c.names[len(c.names)-1].y; first < chartTop || last > chartHigh-chartBottom {
		t.Errorf("from %v to %v", first, last)
	}
}

func FuzzStyleString(f *testing.F) {
	for _, s := range []string{"AU-7", `"</style>`, "a\nb", `\`, "\x00", "日本"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := cssString(s)
		if strings.ContainsAny(got[1:len(got)-1], "\"<>\n\r&;{}'") {
			t.Errorf("%q ends its string or its sheet", got)
		}
	})
}
