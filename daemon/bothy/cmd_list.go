package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bothy/daemon/status"
)

// socketHelp ends the help of what asks the ledger.
const socketHelp = `

It asks the running daemon, which answers from its ledger: drives may be
unmounted or away. It needs root or membership of group bothy. Exit 0: found.
1: nothing is found, or nobody answers. 2: the question was refused, such as one
for a drive that is not known.`

const globHelp = `In a GLOB '*' is any run of characters, '?' is one, '[a-z]' one of those and
'[!a-z]' none of those; a backslash takes away the meaning of what follows. It
must match the whole name, or, part by part, the whole path where it holds a
slash. Upper and lower case of A to Z are the same. Put it in quotes.`

type listFlags struct {
	socket, name, card, drive, since, until string
	limit                                   int
	asJSON                                  bool
}

var listed = []string{"days", "cards", "offloads", "files"}

func listCommand(c console) *cobra.Command {
	var f listFlags
	cmd := command(&cobra.Command{
		Use:   "list [days|cards|offloads|files] [flags]",
		Short: "List what was off-loaded: days, cards, offloads or files",
		Long: `List tells what the box has off-loaded, newest first: on which days which cards
came (that is what it does when it is told nothing), the offloads with their
copies, or the files and where each of them is.

` + globHelp + `

A DAY is written like 2026-11-25 and is one of the policy's time zone; both ends
are meant. With --json it prints what /v1/days or /v1/files answers.` + socketHelp,
		Example: `  bothy list
  bothy list offloads --card 'SKUA_*' --since 2026-11-20
  bothy list files --name '*.MOV' --drive bay-7 --limit 1000
  bothy list files --name 'DCIM/100*/*' --json | jq -r '.files[] | "\(.checksum) \(.path)"'`,
		ValidArgs: listed,
	}, func(_ *cobra.Command, args []string) error {
		switch {
		case len(args) > 1 || len(args) == 1 && !slices.Contains(listed, args[0]):
			return errors.New("name one of " + strings.Join(listed, ", "))
		case f.name != "" && (len(args) == 0 || args[0] != "files"):
			return errors.New("--name goes with files: bothy list files --name GLOB")
		}
		return f.checkLimit()
	}, func(cmd *cobra.Command, args []string) error {
		what := "days"
		if len(args) == 1 {
			what = args[0]
		}
		return list(cmd, c, &f, what)
	})
	fl := cmd.Flags()
	fl.StringVar(&f.name, "name", "", "files: only those whose name or path the `GLOB` matches")
	fl.StringVar(&f.card, "card", "", "only of cards whose label the `GLOB` matches")
	fl.StringVar(&f.drive, "drive", "", "only what has a finished copy on the drive of this `NAME` or id")
	fl.StringVar(&f.since, "since", "", "only what was begun on this `DAY` or later")
	fl.StringVar(&f.until, "until", "", "only what was begun on this `DAY` or earlier")
	addArchiveFlags(cmd, &f)
	return cmd
}

func addArchiveFlags(cmd *cobra.Command, f *listFlags) {
	fl := cmd.Flags()
	fl.IntVar(&f.limit, "limit", 100, "at most `N` offloads or files, 1 to 1000")
	fl.BoolVar(&f.asJSON, "json", false, "print one JSON object")
	fl.StringVar(&f.socket, "socket", defaultSocket, "`PATH` of the daemon's control socket")
}

func (f *listFlags) checkLimit() error {
	if f.limit < 1 || f.limit > status.MaxEntries {
		return fmt.Errorf("--limit cannot be %d (from 1 to %d)", f.limit, status.MaxEntries)
	}
	return nil
}

// questionHint ends what was wrong with a question.
const questionHint = "'bothy status' lists the drives, 'bothy list --help' says how a GLOB is written"

func list(cmd *cobra.Command, c console, f *listFlags, what string) error {
	q := status.Question{Name: f.name, Card: f.card, Drive: f.drive, Limit: f.limit}
	for _, day := range []struct {
		flag, text string
		to         *time.Time
	}{{"since", f.since, &q.Since}, {"until", f.until, &q.Until}} {
		var err error
		if *day.to, err = status.ParseDay(day.text); err != nil {
			return refuse("usage: "+cmd.UseLine(), "list: --%s %q: %w", day.flag, day.text, err)
		}
	}
	client, err := dial(f.socket)
	if err != nil {
		return err
	}
	defer client.Close()
	if what == "files" {
		return listFiles(cmd, c, client, q, f.asJSON)
	}
	days, err := client.Days(cmd.Context(), q)
	if err != nil {
		return asked(err, questionHint)
	}
	err = show(c, f.asJSON, days, func(w io.Writer) error {
		switch {
		case len(days.Days) == 0:
			return say(w, "no such offload is known")
		case what == "cards":
			return status.CardsText(w, days)
		}
		return status.DaysText(w, days, what == "offloads")
	})
	return found(len(days.Days), err)
}

func listFiles(cmd *cobra.Command, c console, client *status.Client, q status.Question, asJSON bool) error {
	files, err := client.Files(cmd.Context(), q)
	if err != nil {
		return asked(err, questionHint)
	}
	err = show(c, asJSON, files, func(w io.Writer) error { return status.FilesText(w, files) })
	return found(len(files.Files), err)
}

func whereCommand(c console) *cobra.Command {
	var f listFlags
	cmd := command(&cobra.Command{
		Use:   "where NAME [flags]",
		Short: "Say on which drives a file is, in which folder, and when it was proven there",
		Long: `Where looks for files by name and tells for each of them its size, its checksum as
taken while the card was read, and every drive that has a copy: in which folder,
and when this very file was last proven there. NAME may be a GLOB.

` + globHelp + `

With --json it prints what /v1/files answers.` + socketHelp,
		Example: `  bothy where SKUA0042.MOV
  bothy where 'SKUA00*' --limit 1000
  bothy where SKUA0042.MOV --json | jq -r '.files[].places[] | select(.proven) | .drive_name'`,
	}, func(cmd *cobra.Command, args []string) error {
		return cmp.Or(named("file, or a glob in quotes")(cmd, args), f.checkLimit())
	}, func(cmd *cobra.Command, args []string) error {
		client, err := dial(f.socket)
		if err != nil {
			return err
		}
		defer client.Close()
		return listFiles(cmd, c, client, status.Question{Name: args[0], Limit: f.limit}, f.asJSON)
	})
	addArchiveFlags(cmd, &f)
	return cmd
}

func missingCommand(c console) *cobra.Command {
	var f listFlags
	cmd := command(&cobra.Command{
		Use:   "missing DRIVE [flags]",
		Short: "Say what a drive lacks that others have",
		Long: `Missing lists the offloads that another drive has a proven copy of, or what was
saved of a damaged card, and this one has not, by its name or id. What stands on
it with other offloads of the same card is not lacking, nor is an offload of which
a shuttle was brought a part.

With --json it prints what /v1/drives/DRIVE/missing answers.` + socketHelp + `

So exit 1 says that the drive lacks nothing, if a daemon answers.`,
		Example: `  bothy missing bay-7
  bothy missing bay-7 --json | jq '[.offloads[].size_bytes] | add'`,
	}, func(cmd *cobra.Command, args []string) error {
		return cmp.Or(named(oneDrive)(cmd, args), f.checkLimit())
	}, func(cmd *cobra.Command, args []string) error {
		client, err := dial(f.socket)
		if err != nil {
			return err
		}
		defer client.Close()
		missing, err := client.Missing(cmd.Context(), args[0], f.limit)
		if err != nil {
			return asked(err, "'bothy status' lists the drives")
		}
		err = show(c, f.asJSON, missing, func(w io.Writer) error { return status.MissingText(w, missing) })
		return found(len(missing.Offloads), err)
	})
	addArchiveFlags(cmd, &f)
	return cmd
}

// show writes an answer as one JSON object or in words.
func show(c console, asJSON bool, answer any, words func(io.Writer) error) error {
	if !asJSON {
		return words(c.out)
	}
	if err := json.NewEncoder(c.out).Encode(answer); err != nil {
		return fmt.Errorf("write answer: %w", err)
	}
	return nil
}

func say(w io.Writer, sentence string) error {
	if _, err := fmt.Fprintln(w, sentence); err != nil {
		return fmt.Errorf("write answer: %w", err)
	}
	return nil
}

// found makes exit code 1 of an answer that is empty, which has been told.
func found(n int, err error) error {
	if err == nil && n == 0 {
		return notAll()
	}
	return err
}

// asked gives a question that the daemon refused its exit code. A drive of
// another name is no answer either: who mistypes it must not read that nothing is
// missing.
func asked(err error, hint string) error {
	var problem *status.Problem
	if errors.As(err, &problem) && (problem.Status == http.StatusBadRequest || problem.Status == http.StatusNotFound) {
		return &failure{code: exitRefused, err: err, hint: hint}
	}
	return err
}
