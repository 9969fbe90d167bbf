package main

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"regexp"
	"strings"
	"testing"

	"github.com/coreos/go-systemd/v22/journal"
	"github.com/google/go-cmp/cmp"

	"bothy/daemon/state"
)

// sent is what a journal was given.
type sent struct {
	Message  string
	Priority journal.Priority
	Fields   map[string]string
}

func collect(to *[]sent) func(string, journal.Priority, map[string]string) error {
	return func(message string, p journal.Priority, fields map[string]string) error {
		*to = append(*to, sent{message, p, fields})
		return nil
	}
}

// Priorities are those of syslog(3); MESSAGE_ID and the form of names are those of
// systemd.journal-fields(7).
func TestJournal_fields(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	var got []sent
	log := slog.New(newJournalHandler(&out, collect(&got)))
	log.With("card", "sdb1").Error("card gone", "path", "a\nb\u202e", "MESSAGE", "forged", "_PID", 1, "é-ü", "x", "", "nameless")
	log.WithGroup("g").Info("ready", "level", 3, slog.Group("in", "n", 4))
	log.Warn("full", "condition", "drive-full", "subject", "north")
	log.Debug("not shown")
	want := []sent{
		{"msg=\"card gone\" card=sdb1 path=\"a\\nb\\u202e\" MESSAGE=forged _PID=1 é-ü=x \"\"=nameless", journal.PriErr, map[string]string{
			"BOTHY_CARD": "sdb1", "BOTHY_PATH": `a\u000ab\u202e`, "BOTHY_MESSAGE": "forged", "BOTHY__PID": "1", "BOTHY____": "x"}},
		{"msg=ready g.level=3 g.in.n=4", journal.PriInfo, map[string]string{"BOTHY_G_LEVEL": "3", "BOTHY_G_IN_N": "4"}},
		{"msg=full condition=drive-full subject=north", journal.PriWarning, map[string]string{
			"BOTHY_CONDITION": "drive-full", "BOTHY_SUBJECT": "north", "MESSAGE_ID": state.DriveFull.MessageID()}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("journal (-want +got):\n%s", diff)
	}
	if out.Len() > 0 {
		t.Errorf("written to standard error as well: %s", out.String())
	}
}

// Where the journal cannot be reached lines go to standard error, with the prefix of
// sd-daemon(3) and no time.
func TestJournal_elsewhereLinesCarryPriority(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	log := slog.New(newJournalHandler(&b, func(string, journal.Priority, map[string]string) error { return errors.New("no journal") }))
	log.With("card", "sdb1").Error("card gone", "path", "a\nb")
	log.Warn("slow")
	log.WithGroup("g").Info("ready", "level", 3)
	log.Debug("not shown")
	want := "<3>msg=\"card gone\" card=sdb1 path=\"a\\nb\"\n<4>msg=slow\n<6>msg=ready g.level=3\n"
	if b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
}

// A code's number is part of the published contract: it never changes. Worked out here
// as the comment on it says, by sha256sum(1) and by hand.
func TestMessageID_stays(t *testing.T) {
	t.Parallel()
	if got, want := state.DriveFull.MessageID(), "8f0cd5128def8ca2a77bb6d82c8fa850"; got != want {
		t.Errorf("drive-full: %s, want %s", got, want)
	}
	seen := map[string]state.Code{}
	for _, k := range state.Kinds {
		id := k.Code.MessageID()
		if !regexp.MustCompile(`^[0-9a-f]{12}8[0-9a-f]{3}[89ab][0-9a-f]{15}$`).MatchString(id) || seen[id] != "" {
			t.Errorf("%s: %s is no UUID of its own (RFC 9562, version 8)", k.Code, id)
		}
		seen[id] = k.Code
	}
}

// catalogue explains each condition to who asks 'journalctl -x'; its form is that of
// https://systemd.io/CATALOG/.
func catalogue() string {
	var b strings.Builder
	b.WriteString("# Made from the table of conditions by 'go test ./daemon/bothy -update'.\n")
	for _, k := range state.Kinds {
		fmt.Fprintf(&b, "\n-- %s\nSubject: %s: %s\nDefined-By: Bothy\nDocumentation: man:bothy-conditions(7)\n\n", k.Code.MessageID(), k.Code, k.Sentence)
		b.WriteString("About: @BOTHY_SUBJECT@\nIn particular: @BOTHY_DETAIL@\n\n")
		fmt.Fprintf(&b, "What to do: %s.\n", k.Hint)
		if k.NeedsPerson {
			b.WriteString("The box light asks for somebody until it is over.\n")
		}
	}
	return b.String()
}

func TestCatalogue_isThatOfTheConditions(t *testing.T) {
	t.Parallel()
	renewed(t, "bothy.catalog", []byte(catalogue()))
}
