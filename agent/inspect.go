package main

import (
	"context"
	"crypto/x509"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"time"

	"strokebank/agent/internal/watch"
	"strokebank/configs"
)

// inspection is one look at all that the agent stands on. It writes to no
// device and to no store; what it leaves behind is one message at the broker.
type inspection struct {
	Schema   int       `json:"schema"`
	Time     time.Time `json:"time"`
	File     string    `json:"file"`
	Version  string    `json:"version"`
	Commit   string    `json:"commit"`
	Well     bool      `json:"well"` // of every finding
	Findings []finding `json:"findings"`

	etc      string // where passwd and group stand
	given    string // the secret of who may see, from the command line
	cfg      *configs.Config
	senses   senses
	clockNow *watch.Clock      // that readings of now are judged by
	shown    *x509.Certificate // by the broker; nil for none
}

// senses is what the kernel tells, from where.
type senses struct {
	sysfs string // "/sys"
	kept  func() timeKept
}

// The states of a finding.
const (
	isWell    = "well"
	attention = "attention"
	notSeen   = "not seen" // it could not be looked at, which is not well either
)

// finding is one thing that was looked at.
type finding struct {
	What    string   `json:"what"`
	State   string   `json:"state"`
	Says    string   `json:"says"`         // one sentence
	Do      string   `json:"do,omitempty"` // what to do; empty where it is well
	Details []string `json:"details,omitempty"`

	sent []string // what of the details goes into a service file; nil: all
}

func inspect(ctx context.Context, sh shell, args []string) int {
	return inspectWith(ctx, sh, args, senses{"/sys", kernelTime})
}

func inspectWith(ctx context.Context, sh shell, args []string, s senses) int {
	fs := flag.NewFlagSet("inspect", flag.ContinueOnError)
	asJSON := fs.Bool("json", false, "as JSON")
	bundle := fs.String("bundle", "", "write a service `file` (.tar.gz) without secrets, to send along with a question; - for standard output, in the place of what is said there")
	secret := fs.String("secret-file", "", "`file` whose first line is the secret of who may see, where the running agent wants one and the file that the configuration names holds it in its stored form; - for standard input")
	if code, done := parse(fs, sh, args, "inspect [flags] FILE", 1); done {
		return code
	}
	given, err := secretIn(sh, *secret)
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitFailed
	}
	in := &inspection{Schema: 1, Time: time.Now().UTC().Truncate(time.Second), File: fs.Arg(0), Version: release, Commit: commit(), etc: "/etc", given: given, senses: s}
	events, lost := in.look(ctx)
	in.Well = !slices.ContainsFunc(in.Findings, func(f finding) bool { return f.State != isWell })
	write := in.text
	if *asJSON {
		write = in.json
	}
	switch *bundle {
	case "":
		err = write(sh.out)
	case "-":
		err = errors.Join(lost, in.pack(sh.out, events))
	default:
		err = errors.Join(write(sh.out), lost, in.bundle(*bundle, events))
		if err == nil && !*asJSON {
			fmt.Fprintf(sh.out, "\nservice file: %s; look into it before you send it\n", *bundle)
		}
	}
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitFailed
	}
	if !in.Well {
		return exitFailed
	}
	return exitOK
}

// look looks at everything, and gives the newest events for a service file.
func (in *inspection) look(ctx context.Context) ([]sentEvent, error) {
	in.versions()
	cfg, err := read(in.File)
	if in.configuration(cfg, err); err != nil {
		return nil, nil
	}
	in.cfg = cfg
	past := in.history(ctx)
	defer past.close()
	in.clockNow = in.clockBehind(past.newest)
	running := in.agent(ctx, past)
	in.devices(ctx, running)
	in.clock(past)
	in.disk()
	in.recording(running)
	in.broker(ctx, running)
	in.access()
	in.openFiles()
	in.certificates()
	for _, u := range cfg.Units {
		in.unit(ctx, past, u)
	}
	return past.recent(ctx, cfg)
}

// configuration says what is wrong in the file, place by place.
func (in *inspection) configuration(cfg *configs.Config, err error) {
	var problems configs.Problems
	switch {
	case err == nil:
		points := 0
		for _, u := range cfg.Units {
			points += len(u.Points)
		}
		in.well("configuration", "The file is right: %s, %s on %s.", count(len(cfg.Units), "unit"), count(points, "point"), count(len(cfg.Links), "link"))
	case errors.As(err, &problems):
		f := in.add(attention, "configuration", "The file is wrong at "+count(len(problems), "place")+", and nothing else was looked at.",
			"Correct what the lines below say; configs/reference.md explains every key. A running agent goes on with what it read before.")
		for _, p := range problems {
			f.Details, f.sent = append(f.Details, p.Error()), append(f.sent, closedProblem(p).Error())
		}
	default:
		in.add(attention, "configuration", fmt.Sprintf("The file cannot be read (%v), and nothing else was looked at.", err),
			"Name the file that the service runs with, as a user who may read it.")
	}
}

// add appends a finding, which may be completed until the next one.
func (in *inspection) add(state, what, says, do string) *finding {
	in.Findings = append(in.Findings, finding{What: what, State: state, Says: says, Do: do})
	return &in.Findings[len(in.Findings)-1]
}

func (in *inspection) well(what, format string, args ...any) *finding {
	return in.add(isWell, what, fmt.Sprintf(format, args...), "")
}

func (in *inspection) json(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(in)
}

func (in *inspection) text(w io.Writer) error {
	marks := map[string]string{isWell: "well", attention: "ATTENTION", notSeen: "NOT SEEN"}
	open := 0
	for _, f := range in.Findings {
		if f.State != isWell {
			open++
		}
		const indent = "                                      "
		fmt.Fprintf(w, "%-10s %-26s %s\n", marks[f.State], f.What, wrapped(f.Says, 80, indent))
		for _, d := range f.Details {
			fmt.Fprintf(w, "%38s- %s\n", "", wrapped(d, 78, indent+"  "))
		}
		if f.Do != "" {
			fmt.Fprintf(w, "%38sdo: %s\n", "", wrapped(f.Do, 76, indent+"    "))
		}
	}
	last := "all is well"
	if open > 0 {
		last = fmt.Sprintf("%d of %s need somebody", open, count(len(in.Findings), "finding"))
	}
	_, err := fmt.Fprintf(w, "\n%s\n", last)
	return err
}

// count is a number of things in words.
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// ago is a time in the past in the coarsest words that tell something.
func ago(now, then time.Time) string {
	d := max(now.Sub(then), 0) // what is written within this second is of now
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s ago", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min ago", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h ago", d.Hours())
	}
	return fmt.Sprintf("%.0f days ago", d.Hours()/24)
}

// clockBehind is the clock by which the agent would judge, had its record
// ended at newest.
func (in *inspection) clockBehind(newest time.Time) *watch.Clock {
	sources := watch.SystemClock
	sources.Synced = func() bool { return in.senses.kept().synchronised }
	return watch.NewClock(sources, newest, in.cfg.Clock.RequireSync)
}
