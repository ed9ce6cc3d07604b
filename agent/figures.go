package main

import (
	"net/http"
	"slices"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/metrics"
	"strokebank/agent/internal/uplink"
	"strokebank/sensors"
)

// metrics is the handler of /metrics: the units, and how the agent itself is.
func (s *station) metrics() (http.Handler, error) {
	info := metrics.Info{Version: release, Commit: commit(), Installation: s.store.Installation(), Start: time.Now(), Log: s.log}
	return metrics.New(s.board, info, s.figures()...)
}

// figures are the statistics of the agent's own parts.
func (s *station) figures() []metrics.Figure {
	return slices.Concat(s.linkFigures(), s.historyFigures(), s.uplinkFigures(), s.pageFigures(), s.serverFigures())
}

// one is a figure without labels.
func one(name, help string, counter bool, read func() float64) metrics.Figure {
	return metrics.Figure{Name: name, Help: help, Counter: counter, Read: func(emit func(float64, ...string)) { emit(read()) }}
}

// truth is 1 or 0.
func truth(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// linkFigures is how the links and the scans are.
func (s *station) linkFigures() []metrics.Figure {
	perLink := func(name, help string, counter bool, of func(*sensors.LinkStats) float64) metrics.Figure {
		return metrics.Figure{Name: name, Help: help, Counter: counter, Labels: []string{"link"},
			Read: func(emit func(float64, ...string)) {
				for _, l := range s.poller.Stats().Links {
					emit(of(&l), l.Link)
				}
			}}
	}
	perUnit := func(name, help string, of func(*sensors.UnitStats) float64) metrics.Figure {
		return metrics.Figure{Name: name, Help: help, Counter: true, Labels: []string{"unit"},
			Read: func(emit func(float64, ...string)) {
				for _, u := range s.poller.Stats().Units {
					emit(of(&u), u.Unit)
				}
			}}
	}
	failures := metrics.Figure{Name: "link_failures_total", Help: "Exchanges that failed, by cause.", Counter: true, Labels: []string{"link", "cause"},
		Read: func(emit func(float64, ...string)) {
			for _, l := range s.poller.Stats().Links {
				emit(float64(l.Timeouts), l.Link, "timeout")
				emit(float64(l.Garbled), l.Link, "garbled")
				emit(float64(l.Broken), l.Link, "broken")
				emit(float64(l.Exceptions), l.Link, "exception")
				emit(float64(l.Unreachable), l.Link, "unreachable")
				emit(float64(l.DialFailures), l.Link, "dial")
			}
		}}
	return []metrics.Figure{
		failures,
		perLink("link_up", "1 while the link's last exchange succeeded.", false, func(l *sensors.LinkStats) float64 { return truth(l.Up) }),
		perLink("link_transactions_total", "Requests sent, answered or not.", true, func(l *sensors.LinkStats) float64 { return float64(l.Transactions) }),
		perLink("link_reconnects_total", "Connections opened after the first.", true, func(l *sensors.LinkStats) float64 { return float64(l.Reconnects) }),
		perLink("link_scan_duration_seconds", "Duration of the link's last scan.", false, func(l *sensors.LinkStats) float64 { return l.ScanDuration.Seconds() }),
		perLink("link_scans_missed_total", "Scans that were due while one was under way.", true, func(l *sensors.LinkStats) float64 { return float64(l.MissedScans) }),
		perUnit("scans_missed_total", "Scans replaced by a newer one before they were judged.", func(u *sensors.UnitStats) float64 { return float64(u.MissedScans) }),
	}
}

// historyFigures is how the durable record is.
func (s *station) historyFigures() []metrics.Figure {
	of := func(name, help string, counter bool, read func(*history.Stats) float64) metrics.Figure {
		return one(name, help, counter, func() float64 { h := s.store.Stats(); return read(&h) })
	}
	return []metrics.Figure{
		of("history_newest_sequence", "Sequence number of the newest event.", false, func(h *history.Stats) float64 { return float64(h.Newest) }),
		of("history_failing", "1 while the disk does not take what is recorded.", false, func(h *history.Stats) float64 { return truth(h.Failing) }),
		of("history_failures_total", "Writes that failed.", true, func(h *history.Stats) float64 { return float64(h.Failures) }),
		of("history_not_durable_total", "Events that went out before the disk had taken them.", true, func(h *history.Stats) float64 { return float64(h.NotDurable) }),
		of("history_dropped_total", "Events and runs lost because the memory for them was full.", true, func(h *history.Stats) float64 { return float64(h.Dropped) }),
		of("history_committed_bytes_total", "Bytes that commits have put into the log.", true, func(h *history.Stats) float64 { return float64(h.CommittedBytes) }),
		of("history_size_bytes", "Size of the store.", false, func(h *history.Stats) float64 { return float64(h.SizeBytes) }),
		of("history_free_bytes", "Free space on the store's file system.", false, func(h *history.Stats) float64 { return float64(h.FreeBytes) }),
	}
}

// pageFigures is how the page is reached, and who is not let in.
func (s *station) pageFigures() []metrics.Figure {
	return []metrics.Figure{
		one("page_connections", "Connections to the page, its API and the metrics.", false, func() float64 { return float64(s.page.Stats().Connections) }),
		one("page_connections_refused_total", "Connections to the page closed because too many were there.", true, func() float64 { return float64(s.page.Stats().TurnedOut) }),
		one("page_secrets_refused_total", "Secrets that the page has refused, wrong ones and all from where too many were wrong.", true, func() float64 { return float64(s.people.logins.Refused()) }),
	}
}

// uplinkFigures is how the broker is reached; none where nothing is published.
func (s *station) uplinkFigures() []metrics.Figure {
	if s.uplink == nil {
		return nil
	}
	of := func(name, help string, counter bool, read func(*uplink.Stats) float64) metrics.Figure {
		return one(name, help, counter, func() float64 { u := s.uplink.Stats(); return read(&u) })
	}
	return []metrics.Figure{
		of("uplink_connected", "1 while the broker is connected.", false, func(u *uplink.Stats) float64 { return truth(u.Connected) }),
		of("uplink_connections_total", "Connections that the broker has accepted.", true, func(u *uplink.Stats) float64 { return float64(u.Connections) }),
		of("uplink_failures_total", "Connections refused, not answered or lost.", true, func(u *uplink.Stats) float64 { return float64(u.Failures) }),
		of("uplink_events_total", "Events that the broker has acknowledged, doubles included.", true, func(u *uplink.Stats) float64 { return float64(u.Events) }),
		of("uplink_commands_dropped_total", "Commands by message that came too fast to be answered.", true, func(u *uplink.Stats) float64 { return float64(u.Dropped) }),
		of("uplink_commands_refused_total", "Commands by message that were answered with a refusal.", true, func(u *uplink.Stats) float64 { return float64(u.Refused) }),
		of("uplink_events_waiting", "Events that the broker has not acknowledged yet.", false, func(u *uplink.Stats) float64 { return float64(u.Waiting) }),
	}
}
