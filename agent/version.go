package main

import (
	"context"
	"flag"
	"fmt"
	"runtime"
	"runtime/debug"
)

// Both are set by the linker for a packaged build: the version, and the commit
// that it was made from.
var (
	release  = "development build"
	revision string
)

func version(_ context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("version", flag.ContinueOnError)
	if code, done := parse(fs, sh, args, "version", 0); done {
		return code
	}
	fmt.Fprintf(sh.out, "strokebank %s, commit %s, %s %s/%s\n", release, commit(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return exitOK
}

// commit is the source this program was built from: as a packaged build was
// told, or as the toolchain stamped it; "unknown" for a build outside a
// checkout.
func commit() string {
	if revision != "" {
		return revision
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	id, dirty := "unknown", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision" && len(s.Value) >= 12:
			id = s.Value[:12]
		case s.Key == "vcs.modified" && s.Value == "true":
			dirty = " with changes"
		}
	}
	return id + dirty
}
