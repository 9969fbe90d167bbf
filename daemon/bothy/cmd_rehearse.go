package main

import (
	"github.com/spf13/cobra"

	"bothy/daemon"
)

func rehearseCommand(c console) *cobra.Command {
	return command(&cobra.Command{
		Use:   "rehearse",
		Short: "See the whole job, with an invented card and invented drives",
		Long: `Rehearse invents a card and two drives in a temporary folder, runs the real
daemon over them, shows lights, progress and the verdict, and ends by itself. It
needs no root and no hardware and touches nothing of yours. The disks are
invented, and it says so.`,
		Example: `  bothy rehearse`,
	}, cobra.NoArgs, func(cmd *cobra.Command, _ []string) error {
		return daemon.Rehearse(cmd.Context(), daemon.RehearseConfig{Out: c.out, Terminal: c.outTerminal, Version: version()})
	})
}
