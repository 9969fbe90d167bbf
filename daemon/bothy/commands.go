package main

import "github.com/spf13/cobra"

// commands lists every command, in the order of the alphabet.
func commands(c console) []*cobra.Command {
	return []*cobra.Command{
		checkPolicyCommand(c),
		explainCommand(c),
		statusCommand(c),
		stopCommand(c),
		verifyCommand(c),
	}
}
