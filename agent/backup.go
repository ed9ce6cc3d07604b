package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"time"

	"strokebank/agent/internal/history"
)

func backup(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("backup", flag.ContinueOnError)
	replace := fs.Bool("replace", false, "write over an older backup of that name")
	if code, done := parse(fs, sh, args, `backup [flags] FILE TO

Copies the history that FILE, a site's configuration, names into one file, while
the agent goes on: the state of one moment, checked, and on the disk when the
command ends.`, 2); done {
		return code
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	to := fs.Arg(1)
	if err := history.Backup(ctx, cfg.History.Dir, to, *replace); err != nil {
		return storeFailed(sh, err, "-replace writes over it")
	}
	return checked(ctx, sh, to, "copied")
}

func restore(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("restore", flag.ContinueOnError)
	replace := fs.Bool("replace", false, "put the history that is there aside, under a dated name")
	if code, done := parse(fs, sh, args, `restore [flags] FILE FROM

Puts a backup where FILE, a site's configuration, has its history. The agent
must not run. What it did after the backup was made is not in it, but has left
the program: the history gets an installation id of its own, so that no event's
id is given twice; the events that are in it keep theirs.`, 2); done {
		return code
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	r, err := history.Restore(ctx, cfg.History.Dir, fs.Arg(1), cfg.Agent, *replace, time.Now())
	if err != nil {
		return storeFailed(sh, err, "-replace puts it aside")
	}
	if r.Aside != "" {
		fmt.Fprintf(sh.out, "put aside: %s\n", r.Aside)
	}
	fmt.Fprintf(sh.out, "restored: %s; installation %s, before %s\n", contents(r.Checked), r.Installation, r.Before)
	return exitOK
}

func verify(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("verify", flag.ContinueOnError)
	of := fs.String("backup", "", "check this `backup`, not the history; FILE is then left out")
	if code, done := parse(fs, sh, args, `verify [flags] FILE

Reads the whole history that FILE, a site's configuration, names, while the
agent may run, and says whether the database is whole, its parts agree, and no
event is missing. Exit code 1 where something is wrong.`, -1); done {
		return code
	}
	if *of != "" && fs.NArg() == 0 {
		return checked(ctx, sh, *of, "sound")
	}
	if *of != "" || fs.NArg() != 1 {
		fmt.Fprintln(sh.err, "strokebank: verify wants a configuration FILE, or -backup and no FILE")
		return exitUsage
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	return checked(ctx, sh, history.Path(cfg.History.Dir), "sound")
}

// checked says what a store holds, or what is wrong with it.
func checked(ctx context.Context, sh shell, path, word string) int {
	c, err := history.CheckFile(ctx, path)
	if err != nil {
		return storeFailed(sh, err, "")
	}
	size := int64(0)
	if info, err := os.Stat(path); err == nil {
		size = info.Size()
	}
	fmt.Fprintf(sh.out, "%s: %s, %.1f MB, installation %s\n", word, contents(c), float64(size)/1e6, c.Installation)
	return exitOK
}

func contents(c history.Checked) string {
	return fmt.Sprintf("%d events (%d to %d), %d runs, schema %d", c.Events, c.Oldest, c.Newest, c.Runs, c.Schema)
}

// storeFailed says what went wrong and, for something that is there already,
// how to go on.
func storeFailed(sh shell, err error, exists string) int {
	if errors.Is(err, history.ErrExists) && exists != "" {
		err = fmt.Errorf("%w: %s", err, exists)
	}
	fmt.Fprintln(sh.err, "strokebank:", err)
	return exitFailed
}
