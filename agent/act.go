package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"

	"strokebank/agent/internal/dashboard"
	"strokebank/rules"
)

// asked is a command as the command line has it.
type asked struct {
	at, secret  string
	certificate string
	length      time.Duration
	until, when string
	command     rules.Command
}

func act(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("act", flag.ContinueOnError)
	var a asked
	c := &a.command
	fs.StringVar(&a.at, "at", dashboard.DefaultAddress, "the running agent's `address`, on this machine")
	secretFile := fs.String("secret-file", "", "`file` whose first line is the secret of who may act; - for standard input")
	fs.StringVar(&a.certificate, "certificate", "", "the agent's own certificate `file`, where its page has TLS: it is asked over TLS and must show this one")
	fs.StringVar(&c.Unit, "unit", "", "the `name` of the unit")
	fs.StringVar(&c.Alarm, "alarm", "", "the alarm's `name`, as strokebank alarms lists it")
	fs.StringVar(&c.Source, "source", "", "the alarm's `source`; or the machine, \"unit\", or protective function")
	fs.StringVar(&c.By, "by", cmp.Or(os.Getenv("SUDO_USER"), os.Getenv("USER")), "the `person` who does it")
	fs.StringVar(&c.Reason, "reason", "", "why; the words of a note")
	fs.DurationVar(&a.length, "for", 0, "how `long`, for shelve, out_of_service and announce_test")
	fs.StringVar(&a.until, "until", "", "or until this RFC 3339 `time`")
	fs.StringVar(&c.Serial, "serial", "", "exchange_machine: the new individual's serial `number`")
	fs.Float64Var(&c.SecondsSoFar, "seconds-so-far", 0, "exchange_machine: how long it had run before, in `s`")
	fs.StringVar(&c.Failure, "failure", "", "the `id` of the failure that is confirmed, corrected, rejected or closed, or the number that begins it (F12)")
	fs.StringVar(&c.Mode, "mode", "", "record_failure, correct_failure: the failure mode, a `code` of ISO 14224: "+strings.Join(rules.FailureModes(), ", "))
	fs.StringVar(&a.when, "when", "", "an RFC 3339 `time`: when it failed or, close_failure, was restored; default as seen, or now")
	fs.Float64Var(&c.StartsSoFar, "starts-so-far", 0, "exchange_machine: how many `starts` it had before")
	fs.StringVar(&c.Task, "task", "", "service_done: the `task`; empty: all that are due at the source")
	if code, done := parse(fs, sh, args, "act [flags] COMMAND\n\nCOMMAND is one of "+orderNames()+".\nNone of them reaches the plant.", -1); done {
		return code
	}
	if fs.NArg() != 1 || !slices.Contains(rules.Orders(), rules.Order(fs.Arg(0))) {
		fmt.Fprintf(sh.err, "strokebank: act wants one command behind its flags: %s\n", orderNames())
		return exitUsage
	}
	c.Order = rules.Order(fs.Arg(0))
	if err := a.end(time.Now()); err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	var out rules.Outcome
	var err error
	if a.secret, err = secretIn(sh, *secretFile); err == nil {
		out, err = a.send(ctx)
	}
	switch {
	case err != nil:
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitFailed
	case !out.Accepted:
		fmt.Fprintln(sh.err, "refused:", out.Why)
		return exitRefused
	}
	fmt.Fprintf(sh.out, "accepted: %s, event %s\n", c.Order, strings.Join(out.Events, ", "))
	if !out.Durable {
		fmt.Fprintln(sh.out, "but the agent's disk does not take it: it is lost if the power fails now")
	}
	return exitOK
}

func orderNames() string {
	var names []string
	for _, o := range rules.Orders() {
		names = append(names, string(o))
	}
	return strings.Join(names, ", ")
}

// end works the end out that was asked for.
func (a *asked) end(now time.Time) error {
	switch {
	case a.length != 0 && a.until != "":
		return fmt.Errorf("give -for or -until, not both")
	case a.length < 0:
		return fmt.Errorf("-for %v is no length", a.length)
	case a.length > 0:
		a.command.Until = now.Add(a.length).UTC().Truncate(time.Second)
	case a.until != "":
		t, err := time.Parse(time.RFC3339, a.until)
		if err != nil {
			return fmt.Errorf("-until %q is not a time such as 2026-11-25T16:30:00Z", a.until)
		}
		a.command.Until = t
	}
	if a.when != "" {
		t, err := time.Parse(time.RFC3339, a.when)
		if err != nil {
			return fmt.Errorf("-when %q is not a time such as 2026-11-25T16:30:00Z", a.when)
		}
		a.command.At = t
	}
	host, _, err := net.SplitHostPort(a.at)
	if ip := net.ParseIP(host); err != nil || host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("-at %q: a secret is sent in the open, so only to this machine, such as %s", a.at, dashboard.DefaultAddress)
	}
	return nil
}

// send asks the running agent.
func (a *asked) send(ctx context.Context) (out rules.Outcome, err error) {
	c := a.command
	wish := map[string]any{"command": c.Order, "unit": c.Unit, "source": c.Source, "alarm": c.Alarm, "by": c.By, "reason": c.Reason}
	if !c.Until.IsZero() {
		wish["until"] = c.Until
	}
	if c.Order == rules.ExchangeMachine {
		wish["serial"], wish["seconds_so_far"], wish["starts_so_far"] = c.Serial, c.SecondsSoFar, c.StartsSoFar
	}
	for name, text := range map[string]string{"failure": c.Failure, "failure_mode": c.Mode} {
		if text != "" {
			wish[name] = text
		}
	}
	if !c.At.IsZero() {
		wish["at"] = c.At
	}
	if c.Task != "" {
		wish["task"] = c.Task
	}
	body, err := json.Marshal(wish)
	if err != nil {
		return out, err
	}
	ctx, cancel := context.WithTimeout(ctx, 3*time.Minute)
	defer cancel()
	client, scheme, err := a.client()
	if err != nil {
		return out, err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, scheme+a.at+"/api/v1/commands", bytes.NewReader(body))
	if err != nil {
		return out, err
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", dashboard.CommandLine+"/"+release)
	if a.secret != "" {
		r.Header.Set("Authorization", "Bearer "+a.secret)
	}
	answer, err := client.Do(r)
	if err != nil {
		return out, fmt.Errorf("the agent cannot be asked: %w", err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(io.LimitReader(answer.Body, 64<<10))
	if err != nil {
		return out, err
	}
	return readOutcome(answer, text)
}

// readOutcome reads the agent's answer.
func readOutcome(answer *http.Response, text []byte) (out rules.Outcome, err error) {
	switch answer.StatusCode {
	case http.StatusOK, http.StatusConflict:
		return out, json.Unmarshal(text, &out)
	}
	var said struct{ Error string }
	if json.Unmarshal(text, &said) != nil || said.Error == "" {
		said.Error = answer.Status
	}
	switch answer.StatusCode {
	case http.StatusUnauthorized, http.StatusForbidden:
		return rules.Refused("", said.Error), nil
	}
	return out, fmt.Errorf("the agent answers: %s", said.Error)
}
