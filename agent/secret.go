package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
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
		// A secret longer than a line of this length is a mistake.
		line, err := bufio.NewReader(io.LimitReader(sh.in, 4096)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			fmt.Fprintln(sh.err, "strokebank:", err)
			return exitFailed
		}
		text = strings.TrimRight(line, "\r\n")
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
