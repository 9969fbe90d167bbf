package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"bothy/daemon/status"
)

func stopCommand(c console) *cobra.Command {
	var socket string
	cmd := command(&cobra.Command{
		Use:   "stop [flags]",
		Short: "Stop the daemon cleanly",
		Long: `Stop asks the running daemon to park its work, unmount everything and end, and
waits until it no longer answers. What was under way resumes at the next start. It needs root or
membership of group bothy.`,
		Example: `  bothy stop`,
	}, cobra.NoArgs, func(cmd *cobra.Command, _ []string) error {
		client, err := dial(socket)
		if err != nil {
			return err
		}
		defer client.Close()
		if err := client.Stop(cmd.Context()); err != nil {
			return err
		}
		return waitForEnd(cmd.Context(), client, socket)
	})
	cmd.Flags().StringVar(&socket, "socket", defaultSocket, "`PATH` of the daemon's control socket")
	return cmd
}

// waitForEnd follows the daemon's states until there is nobody who sends them.
func waitForEnd(ctx context.Context, client *status.Client, socket string) error {
	followErr := client.Follow(ctx, func(*status.Document) error { return nil })
	if ctx.Err() != nil {
		return ctx.Err()
	}
	other, err := status.Dial(socket)
	if errors.Is(err, status.ErrNotRunning) {
		return nil
	}
	if err == nil {
		other.Close()
	}
	return followErr
}
