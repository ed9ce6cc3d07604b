package main

import (
	"context"
	"flag"
	"fmt"
	"runtime"
	"runtime/debug"
)

// release is set by the linker for a released build.
var release = "development build"

func version(_ context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("version", flag.ContinueOnError)
	if code, done := parse(fs, sh, args, "version", 0); done {
		return code
	}
	fmt.Fprintf(sh.out, "strokebank %s, commit %s, %s %s/%s\n", release, commit(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return exitOK
}

// commit is the source this program was built from, as the toolchain stamped
// it; "unknown" for a build outside a checkout.
func commit() string {
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
