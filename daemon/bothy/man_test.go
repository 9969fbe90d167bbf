package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bothy/daemon/state"
	"bothy/testdata/judges"
)

const manDir = "../../deploy/man"

// The page is made from the commands' own help, so it cannot fall behind.
func TestManPage_is_that_of_the_commands(t *testing.T) {
	t.Parallel()
	renewed(t, "man/bothy.1", manPage(newRoot(console{out: io.Discard, err: io.Discard})))
}

// renewed holds a file of deploy that is made from the program against what would be
// made now; with -update it is made anew.
func renewed(t *testing.T, name string, made []byte) {
	t.Helper()
	path := filepath.Join("..", "..", "deploy", name)
	if *update {
		if err := os.WriteFile(path, made, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	is, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(is), string(made)); diff != "" {
		t.Errorf("deploy/%s has fallen behind; 'go test ./daemon/bothy -update' renews it (-file +made):\n%s", name, diff)
	}
}

// The page for whoever is told a condition's code, from the table that all windows use.
func TestConditionsPage_is_that_of_the_table(t *testing.T) {
	t.Parallel()
	renewed(t, "man/bothy-conditions.7", conditionsPage())
}

func conditionsPage() []byte {
	r := &roff{}
	r.WriteString(".\\\" Made from the table of conditions by 'go test ./daemon/bothy -update'.\n")
	r.macro("TH", "BOTHY-CONDITIONS", "7", "", "bothy", "Miscellaneous")
	r.macro("SH", "NAME")
	r.WriteString("bothy\\-conditions \\- what can be the matter with a box that copies cards, and what to do\n")
	r.macro("SH", "DESCRIPTION")
	r.text(`A condition is something that the box wants known, about one card, drive or
path, or about itself. Page, 'bothy status', metrics and journal call it by the same
code, from when it begins until it is over; 'bothy status' and the page say what it is
about. In every doubt a card is held meanwhile: a condition never releases one.

A notice is good to know. With attention something is missing or degraded. With danger
work is at risk. Where the box light asks for somebody, the box cannot do its work, or
cannot vouch for it, before somebody has looked.

The journal shows what a condition was about, with this page's words, and all there
ever was of one kind:

  journalctl -x -u bothy
  journalctl BOTHY_CONDITION=drive-full`)
	r.macro("SH", "CONDITIONS")
	for _, k := range state.Kinds {
		r.macro("SS", string(k.Code))
		says := k.Severity.String()
		if k.NeedsPerson {
			says += "; the box light asks for somebody"
		}
		r.WriteString(roffLine(capital(k.Sentence)+" ("+says+").") + "\n.PP\n" + roffLine("What to do: "+k.Hint+".") + "\n")
	}
	r.macro("SH", "SEE ALSO")
	r.WriteString(".BR bothy (1),\n.BR bothy\\-policy (5),\n.BR bothy\\-risks (7),\n.BR journalctl (1)\n")
	return r.Bytes()
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// groff is the independent judge of the pages: all its warnings count.
func TestManPages_groff(t *testing.T) {
	t.Parallel()
	groff := judges.Need(t, "groff")
	for _, page := range []string{"bothy.1", "bothy-policy.5", "bothy-conditions.7", "bothy-risks.7"} {
		out, err := exec.Command(groff, "-man", "-Tutf8", "-ww", "-z", filepath.Join(manDir, page)).CombinedOutput()
		if err != nil || len(bytes.TrimSpace(out)) > 0 {
			t.Errorf("groff %s: %v\n%s", page, err, out)
		}
	}
}

// roff collects a man page.
type roff struct{ bytes.Buffer }

// macro writes a request whose arguments are text.
func (r *roff) macro(name string, args ...string) {
	r.WriteString("." + name)
	for _, a := range args {
		fmt.Fprintf(r, " %q", roffEscape(a))
	}
	r.WriteString("\n")
}

// text writes paragraphs; an empty line starts a new one, and indented lines
// stand as they are.
func (r *roff) text(s string) {
	fresh, kept := true, false
	for line := range strings.SplitSeq(strings.TrimRight(s, "\n"), "\n") {
		indented := strings.HasPrefix(line, "  ")
		if kept && !indented {
			r.WriteString(".fi\n.RE\n")
			kept, fresh = false, true
		}
		if strings.TrimSpace(line) == "" {
			fresh = true
			continue
		}
		if fresh {
			r.WriteString(".PP\n")
			fresh = false
		}
		if indented && !kept {
			r.WriteString(".RS 2\n.nf\n")
			kept = true
		}
		r.WriteString(roffLine(strings.TrimPrefix(line, "  ")) + "\n")
	}
	if kept {
		r.WriteString(".fi\n.RE\n")
	}
}

func roffEscape(s string) string {
	return strings.NewReplacer(`\`, `\(rs`, `-`, `\-`, `"`, `\(dq`).Replace(s)
}

func roffLine(s string) string {
	s = roffEscape(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s
}

func (r *roff) flags(set *pflag.FlagSet) {
	set.VisitAll(func(f *pflag.Flag) {
		if f.Hidden || f.Name == "help" {
			return
		}
		placeholder, usage := pflag.UnquoteUsage(f)
		name := "--" + f.Name
		if placeholder != "" {
			name += " " + placeholder
		}
		if f.DefValue != "" && f.DefValue != "false" && f.DefValue != "[]" {
			usage += " (default " + f.DefValue + ")"
		}
		r.WriteString(".TP\n")
		r.macro("B", name)
		r.WriteString(roffLine(usage) + "\n")
	})
}

// manPage writes bothy(1). No date stands in it: the page changes when the
// commands do.
func manPage(root *cobra.Command) []byte {
	r := &roff{}
	r.WriteString(".\\\" Made from the help of the commands by 'go test ./daemon/bothy -update'.\n")
	r.macro("TH", "BOTHY", "1", "", "bothy", "User commands")
	r.macro("SH", "NAME")
	r.WriteString("bothy \\- " + roffEscape(strings.ToLower(root.Short[:1])+root.Short[1:]) + "\n")
	r.macro("SH", "SYNOPSIS")
	for _, c := range manCommands(root) {
		r.macro("B", "bothy "+c.Use)
		r.WriteString(".br\n")
	}
	r.macro("SH", "DESCRIPTION")
	r.text(root.Long)
	r.macro("SH", "COMMANDS")
	for _, c := range manCommands(root) {
		r.macro("SS", "bothy "+c.Use)
		r.text(c.Long)
		r.flags(c.LocalNonPersistentFlags())
		r.WriteString(".PP\nExample:\n")
		r.text(c.Example)
	}
	r.text("'bothy completion SHELL' prints the shell completion for bash, zsh, fish or powershell.")
	r.macro("SH", "EXIT STATUS")
	r.text("0: everything that was asked for is done and proven.\n\n" +
		"1: work ended, and not all of it is done or proven.\n\n" +
		"2: the command line or an input file was refused before anything was touched.")
	r.macro("SH", "FILES")
	r.text("/etc/bothy/policy.toml, /var/lib/bothy/, /run/bothy/control.sock")
	r.macro("SH", "SEE ALSO")
	r.WriteString(".BR bothy\\-policy (5),\n.BR bothy\\-conditions (7),\n.BR bothy\\-risks (7),\n.BR systemd.service (5),\n.BR udevadm (8)\n")
	return r.Bytes()
}

func manCommands(root *cobra.Command) []*cobra.Command {
	var list []*cobra.Command
	for _, c := range root.Commands() {
		if c.Name() != "help" && c.Name() != "completion" && !c.Hidden {
			list = append(list, c)
		}
	}
	return list
}
