package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"strokebank/configs"
	"strokebank/configs/quantity"
)

const supposeUsage = `suppose [flags] FILE
       strokebank suppose -csv IN -out OUT

With FILE, a site's configuration: what the reserve would be. Without further
flags the unit is at full charge, settled at its usual temperature.

  one more valve        suppose -add "XV-5 like XV-1" FILE
  another cylinder      suppose -without XV-1 -add "XV-1: {bore: 160 mm, rod: 70 mm, stroke: 500 mm, closes: cap, stroke_time: 15 s}" FILE
  a state               suppose -pressure "7.8 bar" -level "1.1 m" -temperature "5 °C" FILE
  a lower set point     suppose -set-pressure "7.8 bar" FILE

With -csv, many states: the first line names the columns, in any order and
among others; each row is a complete case and gets its figures in columns
behind its own. The columns, each in the unit that its name ends in:

  tank_volume_m3, oil_volume_m3, unusable_oil_m3, pressure_bar_g,
  minimum_pressure_bar_g, atmospheric_pressure_bar, gas_temperature_c,
  wall_temperature_c (empty: as the gas), oil_per_cycle_m3, strokes_per_cycle,
  stroke_s, dwell_s, heat_exchange_s (empty: not known); and, exact where empty
  or absent: heat_exchange_band_ratio, pressure_band_bar, oil_band_m3, wall_band_k

Nothing is read from a device either way.
`

// supposable is a flag that takes a quantity, with the range in which it can
// be meant, in SI.
type supposable struct {
	flag        string
	dimension   quantity.Dimension
	least, most float64
	usage       string
}

var supposables = []supposable{
	{"pressure", quantity.Pressure, -1.2e5, 1e8, "gauge `pressure` of the gas (default: the set pressure)"},
	{"level", quantity.Length, 0, 50, "oil `level` above the tank's lowest inside point (default: the set level)"},
	{"oil", quantity.Volume, 0, 1e4, "oil `volume` in the tank, instead of -level"},
	{"temperature", quantity.Temperature, 173, 473, "`temperature` of the gas (default: as the wall)"},
	{"wall", quantity.Temperature, 173, 473, "`temperature` of the tank's wall (default: as the gas; with neither the file's usual_wall)"},
	{"atmosphere", quantity.Pressure, 0.3e5, 1.2e5, "absolute atmospheric `pressure`, instead of the file's"},
	{"leak", quantity.Flow, 0, 1, "oil leak, a `flow`, as known exactly (default: none known, for at least the file's most_leak)"},
	{"heat-exchange", quantity.Duration, 0, 86400, "thermal time constant of the gas, a `duration`, instead of the file's"},
	{"heat-exchange-most", quantity.Duration, 0, 86400, "its upper bound, a `duration`, instead of the file's"},
	{"minimum-pressure", quantity.Pressure, 0, 1e8, "least `pressure` at which the valves move, instead of the file's"},
	{"unusable-oil", quantity.Volume, 0, 1e4, "oil `volume` that must stay, instead of the file's"},
	{"set-pressure", quantity.Pressure, 0, 1e8, "`pressure` of a full charge, instead of the file's"},
	{"set-level", quantity.Length, 0, 50, "`level` of a full charge, instead of the file's"},
	{"tank-diameter", quantity.Length, 0.05, 10, "inside `diameter` of another tank"},
	{"tank-length", quantity.Length, 0, 50, "`length` of another tank, tangent line to tangent line"},
}

// wish is the command line of suppose as it was written.
type wish struct {
	texts        map[string]*string // of the supposables
	unit         string
	required     string
	mounting     string
	heads        string
	add, without []string
	json, doubts bool
	csv, out     string
}

func newWish(fs *flag.FlagSet) *wish {
	w := &wish{texts: map[string]*string{}}
	for _, q := range supposables {
		w.texts[q.flag] = fs.String(q.flag, "", q.usage)
	}
	list := func(to *[]string) func(string) error {
		return func(text string) error { *to = append(*to, text); return nil }
	}
	fs.StringVar(&w.unit, "unit", "", "the unit's `name`, where the file has several")
	fs.StringVar(&w.required, "required", "", "whole `cycles` that must be stored, instead of the file's")
	fs.StringVar(&w.mounting, "tank-mounting", "", "another tank: `vertical or horizontal`")
	fs.StringVar(&w.heads, "tank-heads", "", "another tank: `flat, ellipsoidal, hemispherical or torispherical` ends")
	fs.Func("add", "one more `valve`, \"XV-5 like XV-1\" or \"XV-5: {…}\" as in the file; may be repeated", list(&w.add))
	fs.Func("without", "leave out the valve with this `tag`; may be repeated", list(&w.without))
	fs.BoolVar(&w.json, "json", false, "write JSON: SI units, null with a reason where a figure is unknown")
	fs.BoolVar(&w.doubts, "doubts", false, "say also how many cycles each doubt costs")
	fs.StringVar(&w.csv, "csv", "", "compute every row of this CSV `file` (- for standard input)")
	fs.StringVar(&w.out, "out", "-", "write the rows with their figures to this `file` (- for standard output)")
	return w
}

// faults is everything that is wrong with what was supposed.
type faults []string

func (f *faults) add(format string, args ...any) { *f = append(*f, fmt.Sprintf(format, args...)) }

// read gives the quantities that were given and are right, in SI.
func (w *wish) read(f *faults) map[string]float64 {
	given := map[string]float64{}
	for _, q := range supposables {
		text := *w.texts[q.flag]
		if text == "" {
			continue
		}
		v, err := quantity.Parse(text, q.dimension)
		switch {
		case err != nil:
			f.add("-%s: %v", q.flag, err)
		case v < q.least || v > q.most:
			f.add("-%s: %s is outside %s to %s", q.flag, text,
				quantity.Format(q.least, q.dimension, quantity.Metric), quantity.Format(q.most, q.dimension, quantity.Metric))
		default:
			given[q.flag] = v
		}
	}
	if w.required != "" {
		n, err := strconv.Atoi(w.required)
		if err != nil || n < 1 || n > 1000 {
			f.add("-required: %.20q is not a whole number from 1 to 1000", w.required)
		} else {
			given["required"] = float64(n)
		}
	}
	return given
}

// choose is the unit of the file that is meant; nil where that is not clear.
func (w *wish) choose(cfg *configs.Config, f *faults) *configs.Unit {
	names := unitNames(cfg)
	for i := range cfg.Units {
		if w.unit == names[i] || w.unit == "" && len(names) == 1 {
			return &cfg.Units[i]
		}
	}
	if w.unit == "" {
		f.add("the file has several units: add -unit with one of %s", strings.Join(names, ", "))
	} else {
		f.add("-unit: the file has no unit %.40q, but %s", w.unit, strings.Join(names, ", "))
	}
	return nil
}

func suppose(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("suppose", flag.ContinueOnError)
	w := newWish(fs)
	if code, done := parse(fs, sh, args, supposeUsage, -1); done {
		return code
	}
	var f faults
	set := map[string]bool{}
	fs.Visit(func(fl *flag.Flag) { set[fl.Name] = true })
	switch {
	case set["csv"]:
		fs.Visit(func(fl *flag.Flag) {
			if fl.Name != "csv" && fl.Name != "out" {
				f.add("-%s has no meaning beside -csv: each row is a complete case", fl.Name)
			}
		})
		if fs.NArg() > 0 {
			f.add("-csv takes no configuration: leave %s out, or write flags before it", strings.Join(fs.Args(), " "))
		}
		if f == nil {
			return supposeMany(ctx, sh, w.csv, w.out)
		}
	case fs.NArg() != 1:
		f.add("give one configuration FILE behind the flags (there are %d words), or -csv; `strokebank suppose -h` shows examples", fs.NArg())
	default:
		if set["out"] {
			f.add("-out goes with -csv")
		}
		return supposeOne(sh, w, fs.Arg(0), &f)
	}
	return f.tell(sh)
}

// tell prints what is wrong and gives the exit code.
func (f *faults) tell(sh shell) int {
	for _, fault := range *f {
		fmt.Fprintln(sh.err, "strokebank:", fault)
	}
	return exitUsage
}

// supposeOne answers for one state.
func supposeOne(sh shell, w *wish, path string, f *faults) int {
	given := w.read(f)
	cfg, code := load(sh, path)
	if cfg == nil {
		f.tell(sh)
		return code
	}
	unit := w.choose(cfg, f)
	if unit == nil {
		return f.tell(sh)
	}
	s := newSupposition(unit, w, given, f)
	if *f != nil {
		return f.tell(sh)
	}
	a, err := s.answer(w.doubts)
	if err != nil {
		f.add("%v", err)
		return f.tell(sh)
	}
	write := a.table
	if w.json {
		write = a.json
	}
	if err := write(sh.out); err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitFailed
	}
	return exitOK
}

// supposeMany answers for every row of a table.
func supposeMany(ctx context.Context, sh shell, from, to string) int {
	failed := func(name string, err error) int {
		fmt.Fprintf(sh.err, "strokebank: %s: %v\n", name, err)
		return exitFailed
	}
	var in io.Reader = sh.in
	if from != "-" {
		file, err := os.Open(from)
		if err != nil {
			return failed("suppose", err)
		}
		defer file.Close()
		in = file
	}
	out, err := newSink(to, sh.out)
	if err != nil {
		return failed("suppose", err)
	}
	if err := out.end(supposeTable(ctx, in, out, sh.err)); err != nil {
		return failed(from, err)
	}
	return exitOK
}
