package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"bothy/daemon"
	"bothy/daemon/status"
)

func enrolCommand(c console) *cobra.Command {
	var socket, name string
	cmd := command(&cobra.Command{
		Use:   "enrol DEVICE|FOLDER --name NAME [flags]",
		Short: "Give a drive its identity",
		Long: `Enrol writes the identity of a drive, .bothy/drive.toml, and touches nothing else
on it. A drive that has an identity keeps it and gets the new name, unless another
drive is called so; a retired one is in use again, and one that was refused because
it came on another disk than before is taken for the drive that it says it is. The running
daemon does it for a DEVICE or FOLDER that a drive rule of its policy takes; where
none runs, a FOLDER can be enrolled all the same.

Exit code 0: it is enrolled, and its identity is printed. 1: it is not. 2: the
command line was refused.`,
		Example: `  bothy enrol /dev/sdb1 --name bay-3`,
	}, named("device or folder"), func(cmd *cobra.Command, args []string) error {
		if name == "" {
			return refuse("add --name NAME; write it on the drive as well", "enrol: the drive needs a name")
		}
		target, err := filepath.Abs(args[0])
		if err != nil {
			return refuse("", "enrol: %w", err)
		}
		info, err := os.Stat(target)
		if err != nil {
			return refuse("name a node such as /dev/sdb1, or a folder", "enrol: %w", err)
		}
		if !info.IsDir() {
			// The daemon knows devices by their nodes, a person by a link below /dev/disk.
			if target, err = filepath.EvalSymlinks(target); err != nil {
				return refuse("", "enrol: %w", err)
			}
		}
		id, err := enrol(cmd.Context(), socket, target, name, info.IsDir())
		if err != nil {
			return err
		}
		what := printable(args[0])
		if abs, err := filepath.Abs(args[0]); err == nil && abs != target { // a link may lead to another medium than was meant
			what += " (" + printable(target) + ")"
		}
		fmt.Fprintf(c.out, "%s is enrolled as %s, identity %s\n", what, printable(name), id)
		return nil
	})
	cmd.Flags().StringVar(&name, "name", "", "the drive's `NAME`, for pages, reports and labels; must be given")
	cmd.Flags().StringVar(&socket, "socket", defaultSocket, "`PATH` of the daemon's control socket")
	return cmd
}

// enrol asks the daemon; without one, a folder is enrolled here and now.
func enrol(ctx context.Context, socket, target, name string, folder bool) (string, error) {
	client, err := dial(socket)
	if folder && errors.Is(err, status.ErrNotRunning) {
		id, err := daemon.Enrol(ctx, daemon.EnrolRequest{Target: target, Name: name})
		if errors.Is(err, daemon.ErrRefused) {
			return "", refuse("nothing was written", "enrol: %w", err)
		}
		return id, err
	}
	if err != nil {
		return "", err
	}
	defer client.Close()
	id, err := client.Enrol(ctx, target, name)
	var refusal *status.Problem
	if errors.As(err, &refusal) {
		return "", advise(err, "'bothy status' and 'bothy explain' say what the daemon makes of it")
	}
	return id, err
}
