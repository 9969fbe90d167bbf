package main

import "github.com/spf13/cobra"

// commands lists every command, in the order of the alphabet.
func commands(c console) []*cobra.Command {
	return []*cobra.Command{
		checkPolicyCommand(c),
		copyCommand(c),
		diagnoseCommand(c),
		enrolCommand(c),
		explainCommand(c),
		handoverCommand(c),
		listCommand(c),
		missingCommand(c),
		recoverCommand(c),
		rehearseCommand(c),
		reportCommand(c),
		retireCommand(c),
		runCommand(c),
		statusCommand(c),
		stopCommand(c),
		verifyCommand(c),
		whereCommand(c),
	}
}
