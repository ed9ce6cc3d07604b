package report

import (
	"fmt"

	"strokebank/sensors/signal"
)

// leaks writes what goes where nothing should, and what is there in all.
func (u *Unit) leaks(p *paper) {
	p.section("Leaks and inventories")
	defer p.end()
	if u.State == nil {
		p.put("p", "", "Nothing is known of them: the history holds no saved state.")
		return
	}
	l := &u.State.Leaks
	p.facts(
		fact{"oil that goes down while idle", banded(u, l.OilDecline, l.OilDeclineBand, "after "+u.Show.Text(l.IdleSeconds, Duration)+" idle")},
		fact{"an oil leak would show from", plain(u.known(l.OilVisible, OilFlow))},
		fact{"oil that has left the system", banded(u, l.OilLost, l.OilLostBand, "tank, sump and cylinders at 15 °C")},
		fact{"air lost a day", cell{text: percent(l.AirDecline, 2), under: "± " + percent(l.AirDeclineBand, 2) + " after " + decimal(l.AirDays, 1) + " days"}},
		fact{"an air leak would show from", cell{text: percent(l.AirVisible, 2), under: "a day"}},
		fact{"air, against full charge", u.lastAir(p)},
	)
	var rows [][]cell
	for _, s := range l.Points {
		of := Length
		if s.Unit == signal.Pascal {
			of = Pressure
		}
		moved := plain("no")
		if s.Moved {
			moved = cell{text: "moved", mark: "low"}
		}
		rows = append(rows, []cell{plain(s.Name), plain(u.known(s.Usual, of)), plain(u.known(s.Now, of)), plain(fmt.Sprint(s.Actions)), moved})
	}
	if rows != nil {
		p.put("h3", "", "Switching points of the panel, as the transmitters show them")
		p.table([]string{"Point", "#Usual", "#Now", "#Actions seen", "Moved"}, rows)
	}
	u.oilChart(p)
	u.airChart(p)
}

func banded(u *Unit, n, band signal.Number, under string) cell {
	if !n.Known() {
		return cell{text: "not known", under: under}
	}
	return cell{text: u.known(n, OilFlow), under: "± " + u.known(band, OilFlow) + " " + under}
}

func (u *Unit) oilChart(p *paper) {
	symbol, one := u.Show.Scale(Volume)
	rows := stretches(u.Oil, one)
	if len(rows) == 0 {
		return
	}
	l := &u.State.Limits
	low, high := extent(rows, l.SetOil/one)
	c := p.picture("Oil in the tank", symbol+", mean with its range", u.Span.From, u.Span.To, low, high)
	c.values(u, rows)
	c.level("base", l.SetOil/one, "set "+u.Show.Text(l.SetOil, Volume))
	c.end("")
}

func (u *Unit) airChart(p *paper) {
	rows := stretches(u.Air, 0.01)
	if len(rows) == 0 {
		return
	}
	low, high := extent(rows, 100)
	c := p.picture("Air against full charge", "%, mean with its range", u.Span.From, u.Span.To, low, high)
	c.values(u, rows)
	c.level("base", 100, "full charge")
	c.end("Too little: the tank is waterlogged and a normal level hides a small reserve. Too much: compressors ran with the level low, or the relief valve is at work.")
}
