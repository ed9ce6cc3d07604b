package metrics

import (
	"bufio"
	"compress/gzip"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"
)

// page answers a scrape: first what the library gathers of the process and
// the agent's parts, then the units. These are written as they go, name by
// name. The library would first build an object for each series, 150 MB for
// fifty units, all of it garbage afterwards.
type page struct {
	latest   latest
	start    time.Time // of the process
	registry prometheus.Gatherer
	log      *slog.Logger
	turns    chan struct{} // as many as may be answered at a time
	zips     sync.Pool     // of *gzip.Writer, a megabyte each
}

// ServeHTTP implements http.Handler.
func (p *page) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	select {
	case p.turns <- struct{}{}:
		defer func() { <-p.turns }()
	default:
		http.Error(w, "too many scrapes at a time", http.StatusServiceUnavailable)
		return
	}
	// One that reads too slowly is cut off; where there is no deadline to set,
	// the server has one of its own.
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(timeout))
	format := expfmt.NegotiateIncludingOpenMetrics(r.Header)
	if format.FormatType() != expfmt.TypeOpenMetrics {
		format = expfmt.NewFormat(expfmt.TypeTextPlain)
	}
	w.Header().Set("Content-Type", string(format))
	w.Header().Set("Vary", "Accept, Accept-Encoding")
	var to io.Writer = w
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		w.Header().Set("Content-Encoding", "gzip")
		z := p.zips.Get().(*gzip.Writer)
		z.Reset(w)
		defer func() {
			z.Close()
			p.zips.Put(z)
		}()
		to = z
	}
	if err := p.write(to, format); err != nil {
		p.log.Debug("a scrape broke off", "err", err)
	}
}

// write writes everything in a text format; the error is that of the writer.
func (p *page) write(to io.Writer, format expfmt.Format) error {
	families, err := p.registry.Gather()
	if err != nil { // what could be gathered is there beside it
		p.log.Error("some metrics are missing from a scrape", "err", err)
	}
	out := bufio.NewWriter(to)
	encoder := expfmt.NewEncoder(out, format, expfmt.WithCreatedLines())
	for _, f := range families {
		if err := encoder.Encode(f); err != nil {
			return err
		}
	}
	p.unitLines(out, format.FormatType() == expfmt.TypeOpenMetrics)
	if end, ok := encoder.(expfmt.Closer); ok {
		if err := end.Close(); err != nil {
			return err
		}
	}
	return out.Flush()
}
