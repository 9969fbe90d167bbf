package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	"bothy/daemon/diagnose"
	"bothy/daemon/status"
)

func diagnoseCommand(c console) *cobra.Command {
	var socket, policyFile, stateDir, out string
	cmd := command(&cobra.Command{
		Use:   "diagnose [flags]",
		Short: "Pack what a helper far away needs to see into one file",
		Long: `Diagnose makes one compressed file (tar and gzip, which any computer opens) of what
the box knows of itself: versions, the policy, devices, cards, drives, conditions, the
newest offloads, what was offloaded on which day, metrics, the daemon's journal and the
kernel's complaints. A page inside says what is in it, and so does this command.

There is no footage in it, no certificate and no password. There are labels of cards,
names of drives and folders, names of files where something was the matter with them,
serial numbers of disks, and whatever was written into the policy, the service's unit
and the kernel's command line: look at it before you pass it on. Only you may read it.

It works without a running daemon, and as far as it can without being root. Nothing
is sent anywhere and nothing else is changed.

Exit code 0: it is written. 1: it could not be written. 2: the command line was
refused, or there is a file of that name.`,
		Example: `  sudo bothy diagnose
  sudo bothy diagnose -o /mnt/usb/skerry-2.tar.gz`,
	}, cobra.NoArgs, func(cmd *cobra.Command, _ []string) error {
		now := time.Now()
		host, err := os.Hostname()
		if err != nil {
			host = "box"
		}
		name := "bothy-" + host + "-" + now.UTC().Format("20060102T150405Z")
		if out == "" {
			out = name + ".tar.gz"
		}
		if _, err := os.Lstat(out); err == nil {
			return refuse("name another with --out", "diagnose: there is a file %s already", out)
		} else if !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("diagnose: %w", err)
		}
		parts := append(daemonParts(socket), diagnose.System(version(), policyFile, stateDir)...)
		if err := writeWhole(out, 0o600, func(w io.Writer) error { return diagnose.Write(cmd.Context(), w, name, now, parts) }); err != nil {
			return err
		}
		_, err = fmt.Fprintf(c.out, "%s\n\n%s", out, diagnose.Contents(parts))
		return err
	})
	f := cmd.Flags()
	f.StringVarP(&out, "out", "o", "", "`FILE` to write (default bothy-HOST-TIME.tar.gz in this folder)")
	f.StringVar(&policyFile, "policy", "/etc/bothy/policy.toml", "the policy `FILE`")
	f.StringVar(&stateDir, "state-dir", serviceDir("STATE_DIRECTORY", "/var/lib/bothy"), "`DIR` of the ledger, whose files are listed and not read")
	f.StringVar(&socket, "socket", defaultSocket, "`PATH` of the daemon's control socket")
	return cmd
}

// daemonParts are what the running daemon tells.
func daemonParts(socket string) (parts []diagnose.Part) {
	for _, p := range []struct{ name, path, what string }{
		{"status.json", "/v1/status", "what the daemon publishes: devices, cards, drives, conditions, offloads"},
		{"days.json", "/v1/days?limit=" + fmt.Sprint(status.MaxEntries), "the newest offloads in the ledger, by day: cards, folders, copies, verdicts"},
		{"metrics.txt", "/metrics", "its metrics"},
	} {
		parts = append(parts, diagnose.Part{Name: p.name, What: p.what, Take: func(ctx context.Context) ([]byte, error) {
			client, err := status.Dial(socket)
			if err != nil {
				return nil, err
			}
			defer client.Close()
			return client.Raw(ctx, p.path)
		}})
	}
	return parts
}
