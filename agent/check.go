package main

import (
	"context"
	"flag"
	"fmt"
	"text/tabwriter"
	"time"

	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/configs/quantity"
	"strokebank/sensors"
	"strokebank/sensors/signal"
)

func check(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("check", flag.ContinueOnError)
	devices := fs.Bool("devices", false, "read every point once and show raw and engineering value, to compare with the panel")
	starting := fs.Bool("starting", false, "as the service that starts: say that the history cannot be written, as the agent starts all the same and raises an alarm")
	if code, done := parse(fs, sh, args, "check [flags] FILE", 1); done {
		return code
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	fmt.Fprintf(sh.out, "%s: the configuration is right\n", fs.Arg(0))
	for _, u := range cfg.Units {
		summary(sh, u)
	}
	if !*starting { // the agent says it itself then
		for _, f := range openFaults(openFiles(fs.Arg(0), cfg, "/etc")) {
			fmt.Fprintf(sh.out, "  open to others: %s\n", f)
		}
	}
	if wrong := files(sh, cfg); wrong > 0 || !writable(sh, cfg.History.Dir, *starting) && !*starting {
		return exitConfig
	}
	if !*devices {
		return exitOK
	}
	bad := 0
	for _, u := range cfg.Units {
		bad += readAll(ctx, sh, cfg, u)
	}
	if bad > 0 {
		fmt.Fprintf(sh.out, "\n%d point(s) do not read well\n", bad)
		return exitDevice
	}
	fmt.Fprintln(sh.out, "\nevery point reads well")
	return exitOK
}

// summary says in one line what a unit's file amounts to.
func summary(sh shell, u configs.Unit) {
	c := u.Rules
	fmt.Fprintf(sh.out, "  %s: tank %s, full charge %s at %s, at least %s for the valves, %d cycles required, %d points\n",
		c.Unit, quantity.Format(c.Tank.Total(), quantity.Volume, u.Display),
		quantity.Format(c.Tank.Volume(c.Reserve.SetLevel), quantity.Volume, u.Display),
		quantity.Format(c.Reserve.SetPressure, quantity.Pressure, u.Display),
		quantity.Format(c.Reserve.MinPressure, quantity.Pressure, u.Display),
		c.Reserve.Required, len(u.Points))
}

// readAll reads the points of a unit and shows them link by link. It returns
// how many do not read well.
func readAll(ctx context.Context, sh shell, cfg *configs.Config, u configs.Unit) (bad int) {
	clock := watch.NewClock(watch.SystemClock, time.Time{}, cfg.Clock.RequireSync)
	for _, link := range cfg.Links {
		var points []sensors.Point
		for _, p := range u.Points {
			if p.Link == link.Name {
				points = append(points, p)
			}
		}
		if len(points) == 0 {
			continue
		}
		fmt.Fprintf(sh.out, "\n%s on link %s (%s)\n", u.Rules.Unit, link.Name, link.Address)
		samples, err := sensors.Read(ctx, link, points, clock)
		bad += table(sh, samples, u.Display)
		if err != nil {
			fmt.Fprintf(sh.out, "  %v\n", err)
			bad += len(points) - len(samples)
		}
	}
	return bad
}

// table prints samples and returns how many are not good.
func table(sh shell, samples []sensors.Sample, system quantity.System) (bad int) {
	w := tabwriter.NewWriter(sh.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "  POINT\tDEVICE\tPLACE\tREGISTERS\tRAW\tVALUE\tQUALITY")
	for _, s := range samples {
		quality := s.Reading.Quality.String()
		if s.Reading.Quality != signal.Good {
			bad++
			quality += ": " + s.Reading.Reason.String()
		}
		fmt.Fprintf(w, "  %s\t%d\t%s\t%s\t%s\t%s\t%s\n", s.Point.ID, s.Point.Device, s.Place, s.Words, s.Raw, shown(s.Reading, system), quality)
	}
	w.Flush()
	return bad
}

// dimensions says how the readings of a unit are written for a person.
var dimensions = map[signal.Unit]quantity.Dimension{
	signal.Pascal: quantity.Pressure, signal.Metre: quantity.Length, signal.Kelvin: quantity.Temperature,
	signal.Ampere: quantity.Current, signal.CubicMetre: quantity.Volume,
	signal.CubicMetrePerSecond: quantity.Flow,
}

// shown is a reading for a person, in the site's units.
func shown(r signal.Reading, system quantity.System) string {
	switch {
	case !r.Known():
		return "unknown"
	case r.Unit == signal.Boolean && r.On():
		return "on"
	case r.Unit == signal.Boolean:
		return "off"
	}
	if r.Unit == signal.Second { // an hour meter
		return fmt.Sprintf("%.2f h", r.Value/3600)
	}
	if d, ok := dimensions[r.Unit]; ok {
		return quantity.Format(r.Value, d, system)
	}
	return fmt.Sprintf("%g", r.Value)
}
