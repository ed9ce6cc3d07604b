// Command strokebank watches hydro-pneumatic oil accumulator units over
// Modbus: how many shutdown cycles are stored, what the machines do, and what
// needs somebody. It only reads.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"
)

// Exit codes, documented in the help.
const (
	exitOK      = 0
	exitFailed  = 1 // the work failed: a port is taken, the store cannot be opened
	exitUsage   = 2 // the command line is wrong
	exitConfig  = 3 // the configuration is wrong; check: or the history cannot be written
	exitRefused = 5 // act: the agent refuses the command
	exitDevice  = 4 // check --devices: a point could not be read, or reads badly
)

// shell is what a command has of the outside.
type shell struct {
	in  io.Reader // for `-` as a file
	out io.Writer // for the result
	err io.Writer // for logs and errors
}

// command is one word after the program's name.
type command struct {
	name    string
	args    string
	summary string
	run     func(ctx context.Context, sh shell, args []string) int
}

func commands() []command {
	return []command{
		{"demo", "", "show the whole job on a simulated unit; nothing else is needed", demo},
		{"run", "FILE", "watch the units of a configuration until told to stop", run},
		{"check", "FILE", "check a configuration and, with --devices, read every point once", check},
		{"inspect", "FILE", "look at everything the agent stands on, say what is wrong and what to do", inspect},
		{"suppose", "FILE", "say what the reserve would be: another state, one more valve, another tank", suppose},
		{"replay", "FILE RECORDING...", "judge a recorded run again, and say what other settings would have changed", replay},
		{"export", "FILE [TABLE...]", "write runs, fills, alarms, failures and more as CSV or JSON lines", exportTables},
		{"report", "FILE", "write a report, or the record of a proof test, as one page to keep, send or print", writeReport},
		{"figures", "FILE", "print reliability figures: MTBF, trend, life, probability of failure on demand, with their limits", figures},
		{"alarms", "FILE", "print the alarm list of a configuration: meaning, causes, action, limits, priority", alarms},
		{"registers", "FILE", "print what stands where for others that read over Modbus TCP, from the table that serves it", printRegisters},
		{"backup", "FILE TO", "copy the history into one file while the agent runs", backup},
		{"restore", "FILE FROM", "put a backup in the history's place while it does not", restore},
		{"verify", "FILE", "check the history, or a backup of it", verify},
		{"act", "COMMAND", "acknowledge, shelve, note and the like at the agent that runs on this machine", act},
		{"secret", "", "make the line of a secret's file: it cannot be read from it", secret},
		{"version", "", "say which build this is", version},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	go func() {
		<-ctx.Done()
		// timeout(1) and others tell a process and its group: the same wish twice.
		time.Sleep(time.Second)
		stop() // from here on one more signal ends the process at once
	}()
	os.Exit(dispatch(ctx, shell{os.Stdin, os.Stdout, os.Stderr}, os.Args[1:]))
}

// dispatch runs the command that args name and returns the exit code.
func dispatch(ctx context.Context, sh shell, args []string) int {
	if len(args) == 0 {
		help(sh.err)
		return exitUsage
	}
	switch args[0] {
	case "help", "-h", "-help", "--help":
		help(sh.out)
		return exitOK
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return c.run(ctx, sh, args[1:])
		}
	}
	fmt.Fprintf(sh.err, "strokebank: there is no command %q; `strokebank help` lists them\n", args[0])
	return exitUsage
}

func help(w io.Writer) {
	fmt.Fprint(w, `strokebank watches skid-mounted oil accumulator units over Modbus and says how
many shutdown cycles are stored right now. It only reads: it never writes to a
device, and it takes no part in protecting the plant.

usage: strokebank COMMAND [flags] [FILE]

`)
	for _, c := range commands() {
		fmt.Fprintf(w, "  %-14s %s\n", c.name+" "+c.args, c.summary)
	}
	fmt.Fprint(w, `
strokebank COMMAND -h lists the flags of a command. Flags stand before FILE.

exit codes
  0  done
  1  the work failed (a port is taken, the store cannot be opened)
  2  the command line is wrong
  3  the configuration is wrong; check: or the history cannot be written
  4  check --devices: at least one point cannot be read or reads badly
  5  act: the agent refuses the command
`)
}

// parse reads the flags of a command and wants exactly files arguments behind
// them, any number where files is negative. done is true where the command has
// nothing left to do; code is then its exit code.
func parse(fs *flag.FlagSet, sh shell, args []string, usage string, files int) (code int, done bool) {
	fs.SetOutput(sh.err)
	fs.Usage = func() {
		fmt.Fprintf(fs.Output(), "usage: strokebank %s\n", usage)
		fs.PrintDefaults()
	}
	if err := fs.Parse(args); errors.Is(err, flag.ErrHelp) {
		return exitOK, true
	} else if err != nil {
		return exitUsage, true
	}
	if files >= 0 && fs.NArg() != files {
		fmt.Fprintf(sh.err, "strokebank: %s wants %d file(s) behind its flags, got %d\n", fs.Name(), files, fs.NArg())
		fs.Usage()
		return exitUsage, true
	}
	return exitOK, false
}
