package main

import (
	"context"
	"errors"
	"fmt"
	"io"
)

// Exit codes, part of the published contract.
const (
	exitDone    = 0 // everything asked for is done and proven
	exitNotAll  = 1 // work ended, not all of it proven or done
	exitRefused = 2 // refused before anything was touched
)

// failure is an error that knows its exit code and what to advise.
type failure struct {
	code int
	err  error  // nil: the command has told everything already
	hint string // may be empty
}

func (f *failure) Error() string {
	if f.err == nil {
		return "not everything is proven"
	}
	return f.err.Error()
}

func (f *failure) Unwrap() error { return f.err }

// refuse makes the failure of an input that was refused; hint says what to do.
func refuse(hint, format string, args ...any) error {
	return &failure{code: exitRefused, err: fmt.Errorf(format, args...), hint: hint}
}

// notAll is the failure of a command that has printed its whole result.
func notAll() error { return &failure{code: exitNotAll} }

// advise adds a hint to the error of work that was begun.
func advise(err error, hint string) error {
	return &failure{code: exitNotAll, err: err, hint: hint}
}

// report writes what went wrong, if anything, and returns the exit code. An
// error that is no failure came from reading the command line.
func report(w io.Writer, err error) int {
	if err == nil {
		return exitDone
	}
	var f *failure
	if !errors.As(err, &f) {
		f = &failure{code: exitRefused, err: err, hint: "'bothy --help' lists the commands, 'bothy COMMAND --help' explains one"}
	}
	switch {
	case f.err == nil:
	case errors.Is(f.err, context.Canceled):
		fmt.Fprintln(w, "bothy: stopped before the end")
	default:
		fmt.Fprintf(w, "bothy: %v\n", f.err)
	}
	if f.err != nil && f.hint != "" {
		fmt.Fprintf(w, "hint: %s\n", f.hint)
	}
	return f.code
}
