package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"

	"strokebank/configs"
)

func run(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("run", flag.ContinueOnError)
	format := fs.String("log", "", "log as `text or json`, instead of what the file says")
	level := fs.String("log-level", "", "log from `debug, info, warn or error` on, instead of what the file says")
	if code, done := parse(fs, sh, args, "run [flags] FILE", 1); done {
		return code
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	if *format != "" {
		cfg.Log.Format = *format
	}
	if *level != "" {
		cfg.Log.Level = *level
	}
	log, err := logger(sh, cfg.Log)
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	if err := operate(ctx, cfg, log); err != nil {
		log.Error("stopped by a failure", "err", err)
		return exitFailed
	}
	return exitOK
}

// operate runs one configuration until ctx ends.
func operate(ctx context.Context, cfg *configs.Config, log *slog.Logger) error {
	s, err := assemble(ctx, cfg, log)
	if err != nil {
		return err
	}
	log.Info("watching", "site", cfg.Site, "units", unitNames(cfg), "version", release, "commit", commit(),
		"installation", s.store.Installation(), "page", "http://"+s.page.Addr().String())
	return errors.Join(s.Run(ctx), s.Close())
}

// load reads and checks a configuration file. Where it cannot, it says all
// that is wrong and gives nil with the exit code.
func load(sh shell, path string) (*configs.Config, int) {
	file, err := os.Open(path)
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return nil, exitConfig
	}
	defer file.Close()
	cfg, err := configs.Parse(file)
	var problems configs.Problems
	if errors.As(err, &problems) {
		for i := range problems {
			problems[i].File = path
		}
		fmt.Fprintf(sh.err, "%v\n%d problem(s); nothing was started\n", problems, len(problems))
		return nil, exitConfig
	}
	if err != nil {
		fmt.Fprintf(sh.err, "%s: %v\n", path, err)
		return nil, exitConfig
	}
	return cfg, exitOK
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
