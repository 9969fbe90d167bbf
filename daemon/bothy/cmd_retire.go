package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"bothy/daemon/state"
	"bothy/daemon/status"
)

func retireCommand(c console) *cobra.Command {
	var socket string
	var confirm, asJSON bool
	cmd := command(&cobra.Command{
		Use:   "retire DRIVE [--confirm] [flags]",
		Short: "Say what would be missing without a drive, and take it out of use",
		Long: `Retire says which offloads would have fewer proven copies than the policy wants if
DRIVE left for good: how many files, how much, and which drives hold the proven
copies that remain. DRIVE is the name of a drive, its identity, its device, or a
folder that a drive rule names; it may be away, or lost.

With --confirm the drive is taken out of use, in the ledger and, if it is attached,
in the identity file on it, which is all that is changed there. Nothing is written
to a retired drive or read from it any more, and what it holds does not count: a
card that is still in and was released for the sake of it is held again. Its
history can be read as before. 'bothy enrol' takes it into use again.

Exit code 0: nothing would be missing, or with --confirm: it is retired. 1: there
would be fewer copies than wanted, and nothing was done; or the daemon does not
answer or refuses. 2: the command line was refused.`,
		Example: `  bothy retire bay-3
  bothy retire bay-3 --confirm`,
	}, named(oneDrive), func(cmd *cobra.Command, args []string) error {
		drive, err := driveNamed(args[0])
		if err != nil {
			return refuse("", "retire: %w", err)
		}
		client, err := dial(socket)
		if err != nil {
			return err
		}
		defer client.Close()
		found, err := client.Retire(cmd.Context(), drive, confirm)
		if err != nil {
			return err
		}
		if asJSON {
			err = json.NewEncoder(c.out).Encode(found)
		} else {
			tellRetirement(c.out, found, confirm)
		}
		if err == nil && !confirm && found.Files > 0 {
			return notAll()
		}
		return err
	})
	cmd.Flags().BoolVar(&confirm, "confirm", false, "take the drive out of use, whatever would be missing")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.Flags().StringVar(&socket, "socket", defaultSocket, "`PATH` of the daemon's control socket")
	return cmd
}

func tellRetirement(out io.Writer, r *status.Retirement, confirm bool) {
	name := printable(r.Drive)
	switch {
	case r.Files == 0:
		fmt.Fprintf(out, "without %s nothing has fewer proven copies than wanted (%d)\n", name, r.CopiesNeeded)
	default:
		fmt.Fprintf(out, "without %s there are fewer proven copies than wanted (%d) of %s (%s):\n", name, r.CopiesNeeded, state.Count(r.Files, "file"), state.Size(r.SizeBytes))
	}
	for _, l := range r.Below {
		on := "on no other drive"
		if len(l.On) > 0 {
			on = "proven on " + printable(strings.Join(l.On, ", "))
		}
		if len(l.Unproven) > 0 {
			on += ", not yet proven by this box on " + printable(strings.Join(l.Unproven, ", "))
		}
		fmt.Fprintf(out, "    %s  %s  %s, %s: %s\n", printable(l.OffloadID), cmp.Or(printable(l.CardLabel), "card without a label"), state.Count(l.Files, "file"), state.Size(l.SizeBytes), on)
	}
	if r.More > 0 {
		fmt.Fprintf(out, "    and %s more\n", state.Count(r.More, "offload"))
	}
	switch {
	case confirm && r.Before:
		fmt.Fprintf(out, "%s was retired before\n", name)
	case confirm:
		fmt.Fprintf(out, "%s is retired: it is not used any more, and what it holds does not count\n", name)
	case r.Before:
		fmt.Fprintf(out, "%s is retired; 'bothy enrol' takes it into use again\n", name)
	default:
		fmt.Fprintf(out, "nothing was changed; add --confirm to retire %s\n", name)
	}
	if r.NotMarked != "" {
		fmt.Fprintf(out, "%s itself could not be marked as retired, so other boxes will not know: %s\n", name, printable(r.NotMarked))
	}
}
