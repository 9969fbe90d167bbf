package main

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
)

// defaultSocket is where the control socket is unless told otherwise.
const defaultSocket = "/run/bothy/control.sock"

// execute runs one command line and returns its exit code.
func execute(ctx context.Context, args []string, c console) int {
	root := newRoot(c)
	root.SetArgs(args)
	return report(c.err, root.ExecuteContext(ctx))
}

func newRoot(c console) *cobra.Command {
	root := &cobra.Command{
		Use:   "bothy",
		Short: "Copy camera cards to drives, prove the copies, say which card may be reused",
		Long: `Bothy is a daemon for a small computer in the field. A camera card that is put in
is copied to every attached drive; every byte is read back from the drive and
compared; and a light, a page and this command answer the one question: may
this card be reused?

The answer is 'release' only when the policy's number of proven copies stand on
that many distinct physical drives. In doubt it is 'hold', with the reason.`,
		Example: `  bothy rehearse              # see the whole job without any hardware
  bothy check-policy /etc/bothy/policy.toml
  bothy status --follow`,
		Version:       version(),
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			return refuse("'bothy --help' lists them", "name a command")
		},
	}
	root.SetOut(c.out)
	root.SetErr(c.err)
	root.SetVersionTemplate("bothy {{.Version}}\n")
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		if number := (*strconv.NumError)(nil); errors.As(err, &number) { // its own words name what reads numbers
			said, _, _ := strings.Cut(err.Error(), ": strconv.")
			err = fmt.Errorf("%s: %w", said, number.Err)
		}
		return refuse("'"+cmd.CommandPath()+" --help' lists the flags", "%s: %w", cmd.Name(), err)
	})
	root.AddCommand(commands(c)...)
	return root
}

// command fills in what all commands share. An error of run that names no exit
// code of its own is that of work that was begun: code 1.
func command(c *cobra.Command, args cobra.PositionalArgs, run func(*cobra.Command, []string) error) *cobra.Command {
	c.Args = func(cmd *cobra.Command, given []string) error {
		if err := args(cmd, given); err != nil {
			return refuse("usage: "+cmd.UseLine(), "%s: %w", cmd.Name(), err)
		}
		return nil
	}
	c.RunE = func(cmd *cobra.Command, given []string) error {
		err := run(cmd, given)
		var f *failure
		if err == nil || errors.As(err, &f) {
			return err
		}
		return &failure{code: exitNotAll, err: err}
	}
	c.DisableFlagsInUseLine = true
	return c
}

// named wants exactly one argument, and says which.
func named(what string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) != 1 || args[0] == "" {
			return errors.New("name one " + what)
		}
		return nil
	}
}

// someOf wants at least one argument, and says of what.
func someOf(what string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) == 0 || slices.Contains(args, "") {
			return errors.New("name at least one " + what)
		}
		return nil
	}
}

// oneDrive is what a command says that was given none, or several.
const oneDrive = "drive; 'bothy status' lists them"

// release is the version of a package, which deploy/package sets as it links.
var release string

// version is that of the package; without one, what the build recorded: a tag, a
// revision, or "devel".
func version() string {
	if release != "" {
		return release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "devel"
	}
	v := strings.Trim(info.Main.Version, "()")
	if v == "" {
		return "devel"
	}
	return v
}
