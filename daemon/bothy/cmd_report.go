package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	dayreport "bothy/daemon/report"
	"bothy/daemon/status"
)

const dayHint = "name a day of the calendar, like 2026-11-25"

func reportCommand(c console) *cobra.Command {
	var socket, out string
	var asCSV bool
	cmd := command(&cobra.Command{
		Use:   "report DAY [flags]",
		Short: "Write the report of a day: cards, clips, checksums, copies and their proofs",
		Long: `Report asks the running daemon for what its ledger knows of a DAY: YYYY-MM-DD,
'today' or 'yesterday', as the policy's time zone has it. An offload belongs to the
day on which it began. The same report stands on each drive, in its folder
'reports', as it was when that drive last got a copy.

It is one HTML file that needs nothing beside it, prints on A4 and reads on a
phone; with --csv it is a table as RFC 4180 has it, in UTF-8, one row per file and
copy, with times in UTC. In the table a character that does not print is spelled
out as \u202e or \U000e0041 and a backslash is doubled. A cell that a spreadsheet
might take for a formula (it begins with = + - @, a tab or a line break) or that
begins with an apostrophe has one apostrophe put in front; take it away to have
the name as it is.

Exit code 0: it is written. 1: nothing was copied on that day, or it could not be
had. 2: the command line was refused.`,
		Example: `  bothy report today -o today.html
  bothy report 2026-11-25 --csv > 2026-11-25.csv`,
	}, named("day, such as 2026-11-25, or 'today' or 'yesterday'"), func(cmd *cobra.Command, args []string) error {
		format := dayreport.FormatHTML
		if asCSV {
			format = dayreport.FormatCSV
		}
		if !status.ReportDay(args[0]) {
			return refuse(dayHint, "report: %w", dayreport.NoDay(args[0]))
		}
		client, err := dial(socket)
		if err != nil {
			return err
		}
		defer client.Close()
		write := func(w io.Writer) error { return takeReport(cmd.Context(), client, w, args[0], format) }
		if out == "" {
			return write(c.out)
		}
		return writeWhole(out, 0o644, write)
	})
	f := cmd.Flags()
	f.BoolVar(&asCSV, "csv", false, "write a table instead of a page")
	f.StringVarP(&out, "out", "o", "", "write to `FILE`, which appears only when it is whole, instead of standard output")
	f.StringVar(&socket, "socket", defaultSocket, "`PATH` of the daemon's control socket")
	return cmd
}

// takeReport knows what to advise when there is none.
func takeReport(ctx context.Context, client *status.Client, w io.Writer, day string, format dayreport.Format) error {
	err := client.Report(ctx, w, day, format)
	var said *status.Problem
	if !errors.As(err, &said) {
		return err
	}
	switch said.Status {
	case http.StatusBadRequest:
		return refuse(dayHint, "report: %w", said)
	case http.StatusNotFound:
		return advise(said, "'bothy list' shows the days on which something was copied; an offload belongs to the day on which it began")
	}
	return err
}

// writeWhole gives a file its name when all of it is written.
func writeWhole(name string, mode os.FileMode, write func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+".*")
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	err = write(f)
	if err == nil {
		err = f.Chmod(mode)
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(f.Name(), name)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}
