package policy

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Error is one thing wrong with a policy file.
type Error struct {
	File    string // as given to Parse
	Line    int    // from 1
	Col     int    // from 1, counted in characters
	Message string // what is wrong
	Hint    string // what to do about it; may be empty
	cause   error  // for errors.Is; usually nil
}

// ErrNoRules: nothing is wrong with the file, but it says neither what a card
// is nor what a drive is. A box that was just installed is in this state.
var ErrNoRules = errors.New("the policy has no rules")

// Unwrap tells ErrNoRules from what is wrong.
func (e *Error) Unwrap() error { return e.cause }

// Error returns FILE:LINE:COL: what is wrong (hint).
func (e *Error) Error() string {
	s := fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Col, e.Message)
	if e.Hint != "" {
		s += " (" + e.Hint + ")"
	}
	return s
}

// Errors is everything wrong with a policy file, in the order of the file. It
// is the only kind of error that Parse returns and never empty.
type Errors []*Error

// maxErrors bounds how many errors are reported for one file.
const maxErrors = 50

// Error returns one line for each error.
func (es Errors) Error() string {
	lines := make([]string, len(es))
	for i, e := range es {
		lines[i] = e.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap lets errors.As find the first *Error.
func (es Errors) Unwrap() []error {
	list := make([]error, len(es))
	for i, e := range es {
		list[i] = e
	}
	return list
}

// ordered returns es sorted by position and cut to maxErrors; the last one
// then counts the rest.
func (es Errors) ordered() Errors {
	slices.SortStableFunc(es, func(a, b *Error) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col))
	})
	if len(es) <= maxErrors {
		return es
	}
	rest := *es[maxErrors-1]
	rest.Message = fmt.Sprintf("%d more errors from here on", len(es)-maxErrors+1)
	rest.Hint = "mend those above first"
	return append(es[:maxErrors-1:maxErrors-1], &rest)
}

// flaw is what a check finds wrong with a string; a nil flaw is none.
type flaw struct {
	message string
	hint    string
	offset  int // in bytes from the start of the string
}

func flawf(hint, format string, args ...any) *flaw {
	return &flaw{message: fmt.Sprintf(format, args...), hint: hint}
}
