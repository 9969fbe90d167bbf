package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"bothy/daemon/status"
)

func statusCommand(c console) *cobra.Command {
	var socket string
	var follow, asJSON bool
	cmd := command(&cobra.Command{
		Use:   "status [flags]",
		Short: "Show what the box is doing, and the verdict on each card",
		Long: `Status asks the running daemon for its state: cards with their verdicts and
reasons, drives, conditions, offloads, and what was left alone and why. It needs
root or membership of group bothy.

Of a running offload it says how much is done, how fast the card gives, and
about how long it takes until as many copies are proven as a release needs. That
is foretold from what was measured so far: it is good once a tenth is over, and
grows while something stalls. A drive that is slower than those is let go, has
a time of its own, and delays nobody.

With --json these are 'done' (0 to 1, never falling, 1 only when those copies
are proven), 'bytes_per_second' of the card, 'left_seconds' and its two parts
'left_copying_seconds' and 'left_proving_seconds', of the offload and of each
copy; a number that is not known is absent.`,
		Example: `  bothy status --follow
  bothy status --json | jq -r '.cards[] | "\(.label) \(.verdict)"'
  bothy status --json | jq '.offloads[] | select(.running) | .done, .left_seconds'`,
	}, cobra.NoArgs, func(cmd *cobra.Command, _ []string) error {
		show := func(d *status.Document) error { return showStatus(c, d, follow, asJSON) }
		client, err := dial(socket)
		if err != nil {
			return err
		}
		defer client.Close()
		if follow {
			err := client.Follow(cmd.Context(), show)
			if errors.Is(err, status.ErrEnded) {
				fmt.Fprintln(c.err, "the daemon has ended")
				return nil
			}
			return err
		}
		d, err := client.Status(cmd.Context())
		if err != nil {
			return err
		}
		return show(d)
	})
	f := cmd.Flags()
	f.BoolVarP(&follow, "follow", "f", false, "go on, and show every change until the daemon ends")
	f.BoolVar(&asJSON, "json", false, "print one JSON object; with --follow one on each line")
	f.StringVar(&socket, "socket", defaultSocket, "`PATH` of the daemon's control socket")
	return cmd
}

// showStatus writes one status. Where a person follows, it takes the place of
// the one before; elsewhere an empty line parts them.
func showStatus(c console, d *status.Document, follow, asJSON bool) error {
	if asJSON {
		if err := json.NewEncoder(c.out).Encode(d); err != nil {
			return fmt.Errorf("write status: %w", err)
		}
		return nil
	}
	if follow && c.outTerminal {
		fmt.Fprint(c.out, "\x1b[H\x1b[2J")
	}
	if err := status.Text(c.out, d); err != nil {
		return err
	}
	if follow && !c.outTerminal {
		fmt.Fprintln(c.out)
	}
	return nil
}

// dial opens the control socket and knows what to advise when it cannot.
func dial(socket string) (*status.Client, error) {
	client, err := status.Dial(socket)
	switch {
	case errors.Is(err, status.ErrNotRunning):
		return nil, advise(err, "start the daemon with 'systemctl start bothy', or name its socket with --socket")
	case errors.Is(err, fs.ErrPermission):
		return nil, advise(err, "run this as root or as a member of group bothy")
	}
	return client, err
}

// driveNamed gives the daemon, whose working folder is another, a drive as it was
// named: a folder by its whole path.
func driveNamed(drive string) (string, error) {
	if !strings.ContainsRune(drive, filepath.Separator) {
		return drive, nil
	}
	return filepath.Abs(drive)
}
