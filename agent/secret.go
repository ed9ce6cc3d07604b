package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"

	"strokebank/agent/internal/authority"
)

// secret makes the line of a secret's file.
func secret(_ context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("secret", flag.ContinueOnError)
	fresh := fs.Bool("new", false, "make a new one and print it before the line for its file")
	if code, done := parse(fs, sh, args, "secret [-new] > LINE\n\nReads a secret from standard input, one line of 16 characters at least, and\nprints the form in which it may stand in a file: it cannot be read from it.", 0); done {
		return code
	}
	text := authority.Fresh()
	if !*fresh {
		var err error
		if text, err = firstLine(sh.in); err != nil {
			fmt.Fprintln(sh.err, "strokebank:", err)
			return exitFailed
		}
	}
	stored, err := authority.Stored(text)
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	if *fresh {
		fmt.Fprintln(sh.out, text)
	}
	fmt.Fprintln(sh.out, stored)
	return exitOK
}

// firstLine is the first line of what holds a secret. One that is longer than a
// line of this length is a mistake.
func firstLine(from io.Reader) (string, error) {
	line, err := bufio.NewReader(io.LimitReader(from, 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", err
	}
	return strings.TrimRight(line, "\r\n"), nil
}

// secretIn is the secret in a file, or none where no file is named; - is
// standard input, by which who may read it hands it to a user who may not.
func secretIn(sh shell, file string) (string, error) {
	from := sh.in
	switch file {
	case "":
		return "", nil
	case "-":
	default:
		f, err := os.Open(file)
		if err != nil {
			return "", fmt.Errorf("secret: %w", err)
		}
		defer f.Close()
		from = f
	}
	return firstLine(from)
}
