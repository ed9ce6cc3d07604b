package rules

import (
	"fmt"

	"strokebank/rules/gas"
	"strokebank/rules/tank"
	"strokebank/sensors/signal"
)

// places says where in a scan each signal of the unit stands; -1 where the
// unit has none.
type places struct {
	pressure, level, oilTemperature, wall, atmosphere, mains int
}

// locate finds the unit's signals among the points of its scans.
func locate(points []signal.Point) (places, error) {
	at := places{
		pressure: find(points, signal.Pressure), level: find(points, signal.Level),
		oilTemperature: find(points, signal.OilTemperature), wall: find(points, signal.WallTemperature),
		atmosphere: find(points, signal.AtmosphericPressure), mains: find(points, signal.Mains),
	}
	if at.pressure < 0 || at.level < 0 {
		return at, fmt.Errorf("the points %s and %s are required", signal.Pressure, signal.Level)
	}
	return at, nil
}

// find is the place of a point, or -1.
func find(points []signal.Point, id signal.ID) int {
	for i, p := range points {
		if p.ID == id {
			return i
		}
	}
	return -1
}

// pick is the reading at a place, or one that says it is not configured.
func pick(scan *signal.Scan, at int, unit signal.Unit) signal.Reading {
	if at < 0 {
		return signal.Missing(unit, signal.NotConfigured, scan.Time)
	}
	return scan.Readings[at]
}

// usualTemperature stands in for the wall's where that is not measured. Only
// the gas density in a differential-pressure level hangs on it: 20 K off moves
// the level by 0.1 % at 9 bar.
const usualTemperature = 293.15

// measure turns the tank's readings into level, volumes and gas pressure.
func (u *Unit) measure(scan *signal.Scan) {
	pressure, level := scan.Readings[u.at.pressure], scan.Readings[u.at.level]
	u.oilDensity = u.cfg.OilDensity
	if oil := pick(scan, u.at.oilTemperature, signal.Kelvin); oil.Known() {
		u.oilDensity = tank.OilDensity(u.cfg.OilDensity, oil.Value)
	}
	u.atmosphere = u.cfg.Atmosphere
	if a := pick(scan, u.at.atmosphere, signal.Pascal); a.Known() {
		u.atmosphere = a.Value
	}
	u.gasTemperature = usualTemperature
	if wall := pick(scan, u.at.wall, signal.Kelvin); wall.Known() {
		u.gasTemperature = wall.Value
	}
	a := &u.out
	a.Level = u.levelOf(level, pressure)
	a.GasPressure = u.gasPressure(pressure, a.Level)
	oil := u.cfg.Tank.Volume(a.Level.Value)
	a.OilVolume = signal.Derive(oil, signal.CubicMetre, a.Level)
	a.GasVolume = signal.Derive(float64(u.cfg.Tank.Total()-oil), signal.CubicMetre, a.Level)
}

// levelOf is the oil level above the tank's lowest inside point. A level
// outside the tank is implausible.
func (u *Unit) levelOf(level, pressure signal.Reading) signal.Reading {
	h := level
	if u.cfg.LevelByPressure {
		// The oil column in the pressure does not matter to the gas density.
		thin := gas.Density(pressure.Value+u.atmosphere, u.gasTemperature)
		h = signal.Derive(tank.LevelFromDifferential(level.Value, u.cfg.LevelLeg, u.oilDensity, thin), signal.Metre, level, pressure)
	}
	h = signal.Derive(h.Value+u.cfg.LevelOffset, signal.Metre, h)
	// Inside its accuracy band an instrument may read a little past the ends
	// of an empty or a full tank.
	band := u.cfg.Reserve.LevelBand
	if h.Known() && (h.Value < -band || h.Value > u.cfg.Tank.Height()+band) {
		return signal.Missing(signal.Metre, signal.Implausible, h.Time)
	}
	return h
}

// gasPressure is the absolute pressure of the gas. A transmitter below the
// oil's surface reads the oil too, so that its reading needs the level.
func (u *Unit) gasPressure(pressure, level signal.Reading) signal.Reading {
	p := signal.Derive(pressure.Value+u.atmosphere, signal.Pascal, pressure)
	if tap := u.cfg.PressureTap; tap >= 0 {
		p = signal.Derive(tank.GasPressure(p.Value, tap, level.Value, u.oilDensity), signal.Pascal, p, level)
	}
	if p.Known() && p.Value <= 0 {
		return signal.Missing(signal.Pascal, signal.Implausible, p.Time)
	}
	return p
}
