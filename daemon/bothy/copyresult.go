package main

import (
	"fmt"
	"io"
	"strings"

	"bothy/daemon/status"
)

// copyResult is the object that 'bothy copy --json' prints. Its keys are part of
// the published contract.
type copyResult struct {
	Verdict string     `json:"verdict"` // "hold" or "release"
	Reason  string     `json:"reason"`
	Bytes   int64      `json:"bytes"`
	Files   int        `json:"files"`
	Seconds float64    `json:"seconds"`
	Copies  []copyLine `json:"copies"` // never null
	// Salvaged are the files that SRC gave in part only; never null.
	Salvaged []status.Salvage `json:"salvaged"`

	notWhole []string // the same, a sentence each; for people
	leftOut  []string // what was in the source and is in no copy, a sentence each; for people
}

// copyLine is one copy in a copyResult.
type copyLine struct {
	Drive  string `json:"drive"`
	Folder string `json:"folder"` // absolute; empty when nothing was written
	State  string `json:"state"`
	Reason string `json:"reason"`
}

// printCopy tells a copyResult to a person.
func printCopy(w io.Writer, r copyResult) {
	for _, l := range r.Copies {
		fmt.Fprintf(w, "%s: %s", l.State, printable(orElse(l.Folder, l.Drive)))
		if l.Reason != "" {
			fmt.Fprintf(w, " (%s)", printable(l.Reason))
		}
		fmt.Fprintln(w)
	}
	for _, l := range r.notWhole {
		fmt.Fprintf(w, "not whole: %s\n", printable(l))
	}
	for _, l := range r.leftOut {
		fmt.Fprintf(w, "left out: %s\n", printable(l))
	}
	fmt.Fprintf(w, "%s, %s in %.1f s\n", count(r.Files, "file"), humanBytes(r.Bytes), r.Seconds)
	fmt.Fprintf(w, "%s: %s\n", strings.ToUpper(r.Verdict), printable(r.Reason))
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
