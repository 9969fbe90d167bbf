// Command bothy copies camera cards to every attached drive, proves the copies
// and says whether a card may be reused.
//
// The package holds flags, wiring and exit codes, nothing else: what a command
// does lives in package daemon and below. It guarantees the exit codes that
// scripts rest on: 0 when everything asked for is done and proven, 1 when work
// ended and not all of it is, 2 when the command line or an input file was
// refused before anything was touched. Results go to standard output, everything
// else to standard error; with --json standard output carries JSON and nothing
// more. Only main ends the process.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"bothy/daemon"
)

func main() {
	daemon.KeepSmall()
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	// The first signal asks for a clean end, a second one ends at once.
	context.AfterFunc(ctx, stop)
	code := execute(ctx, os.Args[1:], processConsole())
	stop()
	os.Exit(code)
}
