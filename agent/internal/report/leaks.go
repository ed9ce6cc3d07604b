package report

import (
	"strconv"

	"strokebank/rules"
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
	p.facts()
	p.fact("oil that goes down while idle", banded(u, l.OilDecline, l.OilDeclineBand, "after "+u.Show.Text(l.IdleSeconds, Duration)+" idle"))
	p.fact("an oil leak would show from", u.known(l.OilVisible, OilFlow))
	p.fact("oil in all", with(u.known(l.Inventory, Volume), "tank, sump and cylinders at 15 °C"))
	p.fact("oil that leaves the system", banded(u, l.OilLost, l.OilLostBand, ""))
	p.fact("air lost a day", with(percent(l.AirDecline, 2), "± "+percent(l.AirDeclineBand, 2)+" after "+decimal(l.AirDays, 1)+" days"))
	p.fact("an air leak would show from", with(percent(l.AirVisible, 2), "a day"))
	p.fact("air, against full charge", u.lastAir(p))
	p.end()
	if len(l.Points) > 0 {
		p.put("h3", "", "Switching points of the panel, as the transmitters show them")
		u.points(p, l.Points)
	}
	u.oilChart(p)
	u.airChart(p)
}

func (u *Unit) points(p *paper, list []rules.SwitchPoint) {
	p.table(len(list), "Point", "#Usual", "#Now", "#Actions seen", "Moved")
	for _, s := range list {
		of := Length
		if s.Unit == signal.Pascal {
			of = Pressure
		}
		moved := "no"
		if s.Moved {
			moved = abnormal("low", "moved")
		}
		p.row(s.Name, u.known(s.Usual, of), u.known(s.Now, of), strconv.Itoa(s.Actions), moved)
	}
	p.endTable()
}

func banded(u *Unit, n, band signal.Number, under string) string {
	if !n.Known() {
		return with("not known", under)
	}
	return with(u.known(n, OilFlow), "± "+u.known(band, OilFlow)+" "+under)
}

func (u *Unit) oilChart(p *paper) {
	symbol, one := u.Show.Scale(Volume)
	if rows := stretches(u.Oil, one); len(rows) > 0 {
		set := u.State.Limits.SetOil
		low, high := extent(rows, set/one)
		c := p.picture("Oil in the tank", symbol+", mean with its range", u.Span.From, u.Span.To, low, high)
		c.values(u, rows)
		c.level("base", set/one, "set "+u.Show.Text(set, Volume))
		c.end("")
	}
	if rows := stretches(u.Inventory, one); len(rows) > 0 {
		low, high := extent(rows)
		c := p.picture("Oil in tank, sump and cylinders", symbol+" at 15 °C, mean with its range", u.Span.From, u.Span.To, low, high)
		c.values(u, rows)
		c.end("It stays as it is until oil is drained, filled or lost, whatever moves between tank and valves.")
	}
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
