package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"bothy/daemon/state"
	"bothy/daemon/status"
)

func recoverCommand(c console) *cobra.Command {
	var socket string
	var asJSON bool
	cmd := command(&cobra.Command{
		Use:   "recover DRIVE... [flags]",
		Short: "Take over what drives tell of other boxes",
		Long: `Recover reads from attached drives what boxes did that are lost, or elsewhere: from
the ledgers that they left on each drive, and where there is none, from the
manifests of the copies. A DRIVE is the name of a drive, its device, or a folder
that a drive rule names. Nothing on the drive is changed.

What is taken over can be listed and is kept in mind, but nothing of it is believed
to be proven: the box reads the copies first, when it is idle. No card is ever
released for the sake of what was taken over; it is copied anew.

Exit code 0: all was read. 1: some could not be, and is listed; or the daemon does
not answer or refuses. 2: the command line was refused.`,
		Example: `  bothy recover bay-1 bay-2`,
	}, someOf(oneDrive), func(cmd *cobra.Command, args []string) error {
		client, err := dial(socket)
		if err != nil {
			return err
		}
		defer client.Close()
		refused := 0
		for _, drive := range args {
			if drive, err = driveNamed(drive); err != nil {
				return refuse("", "recover: %w", err)
			}
			found, err := client.Recover(cmd.Context(), drive)
			if err != nil {
				return err
			}
			refused += len(found.Refused)
			if asJSON {
				if err := json.NewEncoder(c.out).Encode(found); err != nil {
					return err
				}
				continue
			}
			tellRecovered(c.out, found)
		}
		if refused > 0 {
			return advise(errors.New("not all that the drives tell could be read"), "the list says what and why; the rest is taken over")
		}
		return nil
	})
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object for each drive")
	cmd.Flags().StringVar(&socket, "socket", defaultSocket, "`PATH` of the daemon's control socket")
	return cmd
}

func tellRecovered(out io.Writer, r *status.Recovered) {
	fmt.Fprintf(out, "%s: %s of other boxes, and %s that only manifests tell of\n",
		printable(r.Drive), state.Count(r.Snapshots, "ledger"), state.Count(r.ByManifest, "folder"))
	if r.Offloads+r.Copies == 0 {
		fmt.Fprintln(out, "    nothing of it is new to this box")
	} else {
		fmt.Fprintf(out, "    new to this box: %s, %s on drives; none is proven by this box yet\n",
			state.Count(r.Offloads, "offload"), state.Count(r.Copies, "finished folder"))
	}
	if r.Missing > 0 {
		fmt.Fprintf(out, "    told of, and not there: %s\n", state.Count(r.Missing, "folder"))
	}
	for _, what := range r.Refused {
		fmt.Fprintf(out, "    not read: %s\n", printable(what))
	}
}
