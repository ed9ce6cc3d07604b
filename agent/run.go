package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"strokebank/agent/internal/watch"
	"strokebank/configs"
)

func run(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("run", flag.ContinueOnError)
	format := fs.String("log", "", "log as `text or json`, instead of what the file says")
	level := fs.String("log-level", "", "log from `debug, info, warn or error` on, instead of what the file says")
	var record recordTo
	record.flags(fs)
	if code, done := parse(fs, sh, args, "run [flags] FILE", 1); done {
		return code
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	hangup := make(chan os.Signal, 1) // one waiting reload is as good as two
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	settings := func(c *configs.Config) (*slog.Logger, error) {
		return logger(sh, configs.Log{Format: cmp.Or(*format, c.Log.Format), Level: cmp.Or(*level, c.Log.Level)})
	}
	log, err := settings(cfg)
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	if err := record.check(); err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitFailed
	}
	if open := openFaults(openFiles(fs.Arg(0), cfg, "/etc")); open != nil {
		// No reason not to watch: the reserve is worth more than a mode.
		log.Warn("files are open to others", "files", strings.Join(open, "; "))
	}
	s := service{file: fs.Arg(0), logger: settings, hangup: hangup, tell: newNotifier(os.Getenv),
		outfit: outfit{clock: watch.SystemClock, record: record, people: newPeople()}}
	if os.Getenv("GOGC") == "" {
		// A gateway has little memory to spare, and the agent makes little
		// garbage: 27 MiB resident instead of 31.
		debug.SetGCPercent(40)
	}
	if err := s.run(ctx, cfg); err != nil {
		log.Error("stopped by a failure", "err", err)
		return exitFailed
	}
	return exitOK
}

// load reads and checks a configuration file. Where it cannot, it says all
// that is wrong and gives nil with the exit code.
func load(sh shell, path string) (*configs.Config, int) {
	cfg, err := read(path)
	var problems configs.Problems
	switch {
	case err == nil:
		return cfg, exitOK
	case errors.As(err, &problems):
		fmt.Fprintf(sh.err, "%v\n%d problem(s); nothing was started\n", problems, len(problems))
	default:
		fmt.Fprintln(sh.err, "strokebank:", err)
	}
	return nil, exitConfig
}

// read reads and checks a configuration file. Where something is wrong in it
// the error is configs.Problems.
func read(path string) (*configs.Config, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	cfg, err := configs.Parse(file)
	var problems configs.Problems
	if errors.As(err, &problems) {
		for i := range problems {
			problems[i].File = path
		}
		return nil, problems
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return cfg, nil
}

// logger logs to the shell's error stream.
func logger(sh shell, c configs.Log) (*slog.Logger, error) {
	var level slog.Level
	if err := level.UnmarshalText([]byte(c.Level)); err != nil {
		return nil, fmt.Errorf("log level %q: use debug, info, warn or error", c.Level)
	}
	options := &slog.HandlerOptions{Level: level}
	switch c.Format {
	case "text":
		return slog.New(slog.NewTextHandler(sh.err, options)), nil
	case "json":
		return slog.New(slog.NewJSONHandler(sh.err, options)), nil
	default:
		return nil, fmt.Errorf("log format %q: use text or json", c.Format)
	}
}
