package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bothy/daemon/state"
	"bothy/daemon/status"
	"bothy/policy"
)

func handoverCommand(c console) *cobra.Command {
	var socket string
	var selection []string
	var asJSON bool
	cmd := command(&cobra.Command{
		Use:   "handover DRIVE [--select KEY=GLOB ...] [flags]",
		Short: "Fill a shuttle with a chosen part of what was off-loaded",
		Long: `Handover brings a shuttle, a drive whose rule says role = "shuttle", what is
selected, from proven copies on the other drives that are attached: each file is
held against the checksum taken when the card was read, and read back. A DRIVE is
the name of a drive, its device, or a folder that a drive rule names.

What --select says with days=, cards=, folders= and files= must all hold; of several
GLOBs under one key one must match. Days are those on which offloads began, like
2026-11-25; cards go by their labels; a GLOB of files is held against the file's
name, or its whole path on the card where it has a slash. '*' matches slashes too,
and upper and lower case are the same. '--select all' is everything. Without
--select it is what the drive's rule selects.

Each offload has a folder of its own with an ASC MHL history; one of which only a
part was selected ends in '.part'. ascmhl_collection.xml names the newest manifest
of each, and reports/ holds a report of each day. What is there already is not
brought again. What does not fit is refused before the first byte.

A card goes first, always. Interrupting this command does not end the work. Pulling
the drive does; it goes on when it is asked for again.

Exit code 0: all that is selected is there and proven. 1: some of it is not, and is
listed; or nobody answers. 2: it was refused, and nothing was touched.`,
		Example: `  bothy handover editor-1 --select days=2026-11-25 --select 'files=*.MOV'
  bothy handover editor-1 --select 'cards=SKUA_*' --json | jq -r '.undelivered[]'`,
	}, named(oneDrive), func(cmd *cobra.Command, args []string) error {
		if cmd.Flags().Changed("select") {
			if _, err := policy.ParseSelection(selection); err != nil {
				return refuse("'bothy list' shows what there is, 'bothy handover --help' how it is selected", "handover: %w", err)
			}
		}
		drive, err := driveNamed(args[0])
		if err != nil {
			return refuse("", "handover: %w", err)
		}
		client, err := dial(socket)
		if err != nil {
			return err
		}
		defer client.Close()
		done, err := handOver(cmd.Context(), c, client, drive, selection, !asJSON || c.errTerminal)
		if errors.Is(err, context.Canceled) {
			return advise(err, "the box goes on filling the drive; 'bothy status' tells how far it is")
		}
		if err != nil {
			return asked(err, "")
		}
		if asJSON {
			if err := json.NewEncoder(c.out).Encode(done); err != nil {
				return fmt.Errorf("write the result: %w", err)
			}
		} else {
			tellHandedOver(c.out, done)
		}
		if done.Missing > 0 {
			return advise(fmt.Errorf("not all that is selected is on %s", printable(done.Drive)), "the list says why; where a drive is missing, attach it and ask again")
		}
		return nil
	})
	f := cmd.Flags()
	f.StringArrayVar(&selection, "select", nil, "bring what `KEY=GLOB` says; may be given several times")
	f.BoolVar(&asJSON, "json", false, "print one JSON object and nothing else on standard output")
	f.StringVar(&socket, "socket", defaultSocket, "`PATH` of the daemon's control socket")
	return cmd
}

// handOver asks for it and shows how far it is until it is done.
func handOver(ctx context.Context, c console, client *status.Client, drive string, selection []string, shown bool) (*status.HandedOver, error) {
	ctx, cancel := context.WithCancel(ctx)
	watched := make(chan struct{})
	bar := newGauge(c)
	go func() {
		defer close(watched)
		if shown {
			// That it ends is no fault: the answer says how the work went.
			_ = client.Follow(ctx, func(d *status.Document) error { showHandover(bar, d); return nil })
		}
	}()
	done, err := client.HandOver(ctx, drive, selection)
	cancel()
	<-watched
	bar.clear()
	return done, err
}

func showHandover(bar *gauge, d *status.Document) {
	e := d.Errand
	if e == nil || e.Kind != state.ErrandHandover || e.SizeBytes == 0 {
		return
	}
	var notes []string
	if e.Waits {
		notes = append(notes, "a card goes first")
	}
	bar.part("filling "+printable(strings.Join(slices.Clone(e.To), ", ")), e.Done, e.SizeBytes, notes...)
}

func tellHandedOver(out io.Writer, h *status.HandedOver) {
	if h.Files == 0 && h.Missing == 0 {
		fmt.Fprintf(out, "%s: nothing that was off-loaded is selected by %s\n", printable(h.Drive), printable(h.Selected))
		return
	}
	fmt.Fprintf(out, "%s: %s of %s selected by %s: %d brought and proven now, %d there before\n", printable(h.Drive),
		state.Count(h.Files, "file"), state.Count(h.Offloads, "offload"), printable(h.Selected), h.Delivered, h.Already)
	for _, what := range h.Undelivered {
		fmt.Fprintf(out, "    not there: %s\n", printable(what))
	}
	if more := h.Missing - len(h.Undelivered); more > 0 {
		fmt.Fprintf(out, "    and %d more\n", more)
	}
}
