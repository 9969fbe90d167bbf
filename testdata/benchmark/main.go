// Command benchmark measures Bothy on throttled loop devices beside what the
// hardware itself takes and beside public tools. testdata/bench builds and runs
// it.
//
// What it guarantees: no figure is shown of a rig whose throttles do not bite,
// or of a run that left a copy unproven. Every copy is compared after the clock
// has stopped, by a program that is not ours, with what was written to the card
// when it was made. All loop devices, mounts and images are gone when it ends,
// by a signal too.
//
// What it will not do: judge for a gate. It prints whether a target is met and
// ends with 0 all the same: figures of a machine that others use vary. It
// measures the tree it stands in, whatever that holds.
//
// Exit codes: 0 every measure that was asked for was reported, or left out with
// a sentence; 1 a measure refused to report or failed; 2 bad usage; 77 this
// machine cannot measure at all.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
)

// Exit codes.
const (
	exitReported = 0
	exitRefused  = 1
	exitUsage    = 2
	exitCannot   = 77
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	code := start(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// start tells the three lives of this program apart: the benchmark, the daemon
// that it measures, and the small parent that takes a program's figures.
func start(ctx context.Context, args []string, out, errs io.Writer) int {
	if len(args) > 0 {
		switch args[0] {
		case daemonLife:
			return exitOf(runBox(ctx, os.Stdin, out), errs)
		case meterLife:
			return meter(args[1:], errs)
		}
	}
	o, err := parseOptions(args, errs)
	if errors.Is(err, flag.ErrHelp) {
		return exitReported
	}
	if err != nil {
		fmt.Fprintf(errs, "bench: %v\n", err)
		return exitUsage
	}
	if err := machineCan(); err != nil {
		fmt.Fprintf(errs, "bench: nothing is measured: %v\n", err)
		return exitCannot
	}
	return exitOf(measureAll(ctx, o, out, errs), errs)
}

func exitOf(err error, errs io.Writer) int {
	if err == nil {
		return exitReported
	}
	fmt.Fprintf(errs, "bench: %v\n", err)
	return exitRefused
}

// options is what the command line asks for.
type options struct {
	runs  int
	scale float64 // share of each measure's full size; 0: each measure's own
	out   string  // folder for the results; empty: none are written
	names []string
}

func parseOptions(args []string, errs io.Writer) (options, error) {
	var o options
	f := flag.NewFlagSet("bench", flag.ContinueOnError)
	f.SetOutput(errs)
	f.IntVar(&o.runs, "runs", 3, "how often each thing is timed, in turn")
	f.Float64Var(&o.scale, "scale", 0, "size, where 1 is the full one; unless given, each measure's own, so that all take some 25 minutes")
	f.StringVar(&o.out, "out", "", "`DIR` for bench.json, growth.md and growth.svg")
	from := f.String("from", ".", "`DIR` that a relative --out starts from; testdata/bench sets it")
	f.Usage = func() {
		fmt.Fprintln(errs, "Usage, as root: testdata/bench [--runs N] [--scale F] [--out DIR] [MEASURE...]")
		f.PrintDefaults()
		fmt.Fprintln(errs, "Measures:")
		for _, m := range measures() {
			fmt.Fprintf(errs, "  %-11s %s\n", m.name, m.title)
		}
	}
	if err := f.Parse(args); err != nil {
		return o, err
	}
	if o.runs < 1 || o.scale < 0 {
		return o, errors.New("--runs needs at least 1, and --scale more than 0")
	}
	if o.out != "" && !filepath.IsAbs(o.out) {
		o.out = filepath.Join(*from, o.out)
	}
	known := measureNames()
	o.names = f.Args()
	for _, n := range o.names {
		if !slices.Contains(known, n) {
			return o, fmt.Errorf("there is no measure %q; there are %s", n, strings.Join(known, ", "))
		}
	}
	if len(o.names) == 0 {
		o.names = known
	}
	return o, nil
}
