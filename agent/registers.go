package main

import (
	"context"
	"encoding/csv"
	"flag"
	"fmt"
	"log/slog"
	"slices"

	"strokebank/agent/internal/metrics"
	"strokebank/agent/internal/registers"
	"strokebank/agent/internal/watch"
	"strokebank/configs"
)

func printRegisters(_ context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("registers", flag.ContinueOnError)
	table := fs.Bool("csv", false, "as comma-separated values, one register or bit a line")
	if code, done := parse(fs, sh, args, "registers [flags] FILE", 1); done {
		return code
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	maps, err := registerMaps(cfg)
	if err == nil {
		err = writeMaps(sh, cfg.ModbusServer, maps, *table)
	}
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitFailed
	}
	return exitOK
}

func writeMaps(sh shell, server *configs.ModbusServer, maps []*registers.Map, table bool) error {
	if table {
		w := csv.NewWriter(sh.out)
		err := w.Write(registers.CSVHeader)
		for _, m := range maps {
			if err == nil {
				err = m.WriteCSV(w)
			}
		}
		w.Flush()
		return w.Error()
	}
	where := "Not served: the file has no modbus_server."
	if server != nil {
		where = "Served at " + server.Listen + "."
	}
	fmt.Fprintf(sh.out, "%s Modbus has no access control and no encryption:\nlet nobody reach the address but who may read all of this.\n", where)
	for _, m := range maps {
		fmt.Fprintln(sh.out)
		if err := m.WriteText(sh.out); err != nil {
			return err
		}
	}
	return nil
}

// registerMaps is the maps of the units that are served, or would be by
// default.
func registerMaps(cfg *configs.Config) ([]*registers.Map, error) {
	served := cfg.ServedUnits()
	var maps []*registers.Map
	for _, u := range served {
		i := slices.IndexFunc(cfg.Units, func(c configs.Unit) bool { return c.Rules.Unit == u.Unit })
		blank, err := unread(cfg, cfg.Units[i], i == 0)
		if err != nil {
			return nil, err
		}
		m, err := registers.NewMap(blank, u.Device)
		if err != nil {
			return nil, err
		}
		maps = append(maps, m)
	}
	return maps, nil
}

// registerServer is the server of a configuration; nil where it has none.
func registerServer(cfg *configs.Config, board *watch.Board, log *slog.Logger) (*registers.Server, error) {
	if cfg.ModbusServer == nil {
		return nil, nil
	}
	maps, err := registerMaps(cfg)
	if err != nil {
		return nil, err
	}
	return registers.Listen(registers.Config{Address: cfg.ModbusServer.Listen, Maps: maps, StaleAfter: staleAfter(cfg), Log: log}, board)
}

// serverFigures is how the Modbus server is used; none where there is none.
func (s *station) serverFigures() []metrics.Figure {
	if s.server == nil {
		return nil
	}
	of := func(name, help string, counter bool, read func(registers.Stats) int64) metrics.Figure {
		return one(name, help, counter, func() float64 { return float64(read(s.server.Stats())) })
	}
	refused := metrics.Figure{Name: "modbus_server_refused_total", Counter: true, Labels: []string{"cause"},
		Help: "Requests of Modbus clients that were refused: write and function with exception 1 (a write or another function code), address 2, value 3, device 11.",
		Read: func(emit func(float64, ...string)) {
			n := s.server.Stats()
			emit(float64(n.Writes), "write")
			emit(float64(n.Others), "function")
			emit(float64(n.Addresses), "address")
			emit(float64(n.Values), "value")
			emit(float64(n.Devices), "device")
		}}
	return []metrics.Figure{
		refused,
		of("modbus_server_answers_total", "Requests of Modbus clients that got data.", true, func(n registers.Stats) int64 { return n.Data }),
		of("modbus_server_clients", "Modbus clients that are connected.", false, func(n registers.Stats) int64 { return n.Clients }),
		of("modbus_server_clients_refused_total", "Connections of Modbus clients closed because too many were there.", true, func(n registers.Stats) int64 { return n.FullRefused }),
		of("modbus_server_broken_total", "Connections of Modbus clients closed in the middle of a request, or for what is no Modbus.", true, func(n registers.Stats) int64 { return n.Broken }),
	}
}
