package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"bothy/policy"
)

// maxInputBytes bounds policy files and property lists; real ones are a few KiB.
const maxInputBytes = 1 << 20

// readInput reads a whole small file, or standard input for "-".
func readInput(path string) ([]byte, error) {
	f := os.Stdin
	if path != "-" {
		var err error
		if f, err = os.Open(path); err != nil {
			return nil, err
		}
		defer f.Close()
	}
	data, err := io.ReadAll(io.LimitReader(f, maxInputBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	if len(data) > maxInputBytes {
		return nil, fmt.Errorf("read %s: larger than %s", path, humanBytes(maxInputBytes))
	}
	return data, nil
}

func checkPolicyCommand(c console) *cobra.Command {
	return command(&cobra.Command{
		Use:   "check-policy FILE",
		Short: "Say whether a policy file is sound",
		Long: `Check-policy reads a policy file as the daemon would. Everything that is wrong
with it is told at once, one line each: FILE:LINE:COL: what is wrong (hint).

Exit code 0: the file is sound. 2: it is not, or cannot be read.`,
		Example: `  bothy check-policy /etc/bothy/policy.toml && systemctl reload bothy`,
	}, named("policy file"), func(_ *cobra.Command, args []string) error {
		p, err := loadPolicy(c, args[0])
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%s is sound: %s, %s, %s; %s for a release\n", args[0],
			count(len(p.Cards), "card rule"), count(len(p.Drives), "drive rule"),
			count(len(p.Lights), "light"), countAll(p.Box.Copies, "proven copy", "proven copies"))
		return nil
	})
}

// loadPolicy reads a policy. Its faults are written to standard error just as
// they are, one a line, for editors that jump to FILE:LINE:COL.
func loadPolicy(c console, path string) (*policy.Policy, error) {
	data, err := readInput(path)
	if err != nil {
		return nil, refuse("name a policy file; the daemon's own is usually /etc/bothy/policy.toml", "%w", err)
	}
	p, err := policy.Parse(path, data)
	if err == nil {
		return p, nil
	}
	var first *policy.Error
	if !errors.As(err, &first) {
		return nil, refuse("", "%w", err)
	}
	fmt.Fprintln(c.err, strings.TrimRight(err.Error(), "\n"))
	return nil, &failure{code: exitRefused}
}
