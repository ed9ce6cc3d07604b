// Package metrics shows the latest assessment of every unit, and the
// statistics of the agent itself, in the text formats of Prometheus and
// OpenMetrics. What is not known is an absent series, never 0.
//
// The names are a contract with everything that reads them; the reference is
// reference.md beside this file.
package metrics

import (
	"compress/gzip"
	"fmt"
	"log/slog"
	"net/http"
	"runtime"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"strokebank/rules"
)

// prefix begins every name of this program.
const prefix = "strokebank_"

// Bounds of one scrape: more than a few at a time are answered with 503, one
// that takes longer than any scraper waits is cut off.
const (
	maxScrapes = 4
	timeout    = 10 * time.Second
)

// latest is the present state of all units; what it hands out is not written
// to any more.
type latest interface {
	Latest() []*rules.Assessment
}

// Info is what is fixed about this process.
type Info struct {
	Version      string
	Commit       string
	Installation string
	Start        time.Time // of the process: counters count from here; zero: now
	Log          *slog.Logger
}

// Figure is one statistic of another part of the agent, asked for at every
// scrape. Read calls emit once for each series that is known, with one label
// value for each of Labels; it must be quick and safe for concurrent use.
type Figure struct {
	Name    string // without the prefix; a counter's ends in _total
	Help    string
	Counter bool // counts from the start of the process; otherwise a gauge
	Labels  []string
	Read    func(emit func(value float64, labels ...string))
}

// New is the handler that answers a scrape, on a registry of its own. A
// figure with a wrong or a second name is an error. Nothing is started; the
// handler is safe for concurrent use.
func New(now latest, info Info, extra ...Figure) (http.Handler, error) {
	if info.Log == nil {
		info.Log = slog.New(slog.DiscardHandler)
	}
	if info.Start.IsZero() {
		info.Start = time.Now()
	}
	figures, err := describe(extra)
	if err != nil {
		return nil, fmt.Errorf("metrics: %w", err)
	}
	registry := prometheus.NewRegistry()
	for _, c := range []prometheus.Collector{
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		&agent{info: info, figures: figures},
	} {
		if err := registry.Register(c); err != nil {
			return nil, fmt.Errorf("metrics: %w", err)
		}
	}
	return &page{latest: now, start: info.Start, registry: registry, log: info.Log, turns: make(chan struct{}, maxScrapes),
		zips: sync.Pool{New: func() any {
			z, _ := gzip.NewWriterLevel(nil, gzip.BestSpeed) // fails for no valid level
			return z
		}}}, nil
}

// agent collects what concerns the process and its other parts.
type agent struct {
	info    Info
	figures []figure
}

// figure is a Figure with its description made.
type figure struct {
	Figure
	desc *prometheus.Desc
}

func describe(all []Figure) ([]figure, error) {
	out := make([]figure, 0, len(all))
	seen := map[string]bool{}
	for _, s := range catalogue {
		seen[strings.TrimPrefix(s.name, prefix)] = true
	}
	for _, f := range all {
		if seen[f.Name] {
			return nil, fmt.Errorf("two metrics are called %q", f.Name)
		}
		seen[f.Name] = true
		out = append(out, figure{f, prometheus.NewDesc(prefix+f.Name, f.Help, f.Labels, nil)})
	}
	return out, nil
}

var buildDesc = prometheus.NewDesc(prefix+"build_info", "The running program; always 1.",
	[]string{"version", "commit", "go", "installation"}, nil)

// Describe implements prometheus.Collector.
func (a *agent) Describe(out chan<- *prometheus.Desc) {
	out <- buildDesc
	for _, f := range a.figures {
		out <- f.desc
	}
}

// Collect implements prometheus.Collector.
func (a *agent) Collect(out chan<- prometheus.Metric) {
	out <- prometheus.MustNewConstMetric(buildDesc, prometheus.GaugeValue, 1,
		a.info.Version, a.info.Commit, runtime.Version(), a.info.Installation)
	for _, f := range a.figures {
		f.Read(func(value float64, labels ...string) {
			out <- constant(f.desc, f.Counter, a.info.Start, value, labels...)
		})
	}
}

// constant is one series. Wrong label values spoil this series only, with an
// error in the log.
func constant(d *prometheus.Desc, counter bool, start time.Time, value float64, labels ...string) prometheus.Metric {
	var m prometheus.Metric
	var err error
	if counter {
		m, err = prometheus.NewConstMetricWithCreatedTimestamp(d, prometheus.CounterValue, value, start, labels...)
	} else {
		m, err = prometheus.NewConstMetric(d, prometheus.GaugeValue, value, labels...)
	}
	if err != nil {
		return prometheus.NewInvalidMetric(d, err)
	}
	return m
}
