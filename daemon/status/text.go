package status

import (
	"bufio"
	"fmt"
	"io"
	"strings"
)

// Text writes d for a terminal or a pipe, in the words of the page. It sends no
// escape sequences and lets none through; no line begins with what a medium calls
// itself, so none of them can pass for an answer.
func Text(w io.Writer, d *Document) error {
	v := newView(d)
	out := bufio.NewWriter(w)
	fmt.Fprintf(out, "box %s: %s\n", v.Box, v.Phase)
	if v.AsOf != "" || v.ClockNote != "" {
		fmt.Fprintf(out, "as of %s\n", join(v.AsOf, v.ClockNote))
	}
	if v.Power != "" {
		fmt.Fprintln(out, v.Power)
	}
	textCards(out, v.Cards)
	textDrives(out, v.Drives, v.Errand)
	textConditions(out, v.Conditions)
	textOffloads(out, v)
	textLeftAlone(out, v.LeftAlone)
	fmt.Fprintf(out, "\nPolicy: %s\n", v.Policy.Summary)
	for _, line := range v.Policy.Errors {
		fmt.Fprintf(out, "    %s\n", line)
	}
	fmt.Fprintln(out, v.Program)
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write status: %w", err)
	}
	return nil
}

// join is "a b" without the blank when one is empty.
func join(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + " " + b
}

// para writes an indented line unless it is empty.
func para(out *bufio.Writer, s string) {
	if s != "" {
		fmt.Fprintf(out, "    %s\n", s)
	}
}

func textCards(out *bufio.Writer, cards []cardView) {
	fmt.Fprintln(out, "\nCards")
	if len(cards) == 0 {
		fmt.Fprintln(out, noCards)
	}
	for _, c := range cards {
		fmt.Fprintf(out, "%s %s: %s\n", c.Mark(), c.Word, c.Advice)
		para(out, "card "+c.Label)
		para(out, c.Facts)
		para(out, c.Reason)
		textGoing(out, c.Going)
		textCopies(out, c.Copies)
	}
}

// textGoing draws a bar and says the same in words.
func textGoing(out *bufio.Writer, g goingView) {
	if g.Runs {
		const width = 20
		full := g.Bar * width / 100
		para(out, "|"+strings.Repeat("=", full)+strings.Repeat(" ", width-full)+"| "+g.Words)
	}
}

func textCopies(out *bufio.Writer, copies []copyView) {
	for _, c := range copies {
		fmt.Fprintf(out, "    %s %s: %s", c.Mark(), c.Drive, c.Word)
		for _, more := range []string{c.Progress, c.Reason} {
			if more != "" {
				fmt.Fprintf(out, "; %s", more)
			}
		}
		fmt.Fprintln(out)
	}
}

func textDrives(out *bufio.Writer, drives []driveView, errand string) {
	fmt.Fprintln(out, "\nDrives")
	if len(drives) == 0 {
		fmt.Fprintln(out, noDrives)
	}
	for _, d := range drives {
		fmt.Fprintf(out, "%s %s: %s; %s\n", d.Mark(), d.Name, d.Word, d.Advice)
		para(out, d.Reason)
		para(out, d.Facts)
	}
	if errand != "" {
		fmt.Fprintf(out, "    among drives: %s\n", errand)
	}
}

func textConditions(out *bufio.Writer, conditions []conditionView) {
	if len(conditions) == 0 {
		return
	}
	fmt.Fprintln(out, "\nConditions")
	for _, c := range conditions {
		fmt.Fprintf(out, "%s %s: %s\n", c.Mark(), c.Word, c.Sentence)
		para(out, named("about", c.Subject))
		para(out, c.Detail)
		para(out, named("hint:", c.Hint))
		para(out, named("since", c.Since))
	}
}

func textOffloads(out *bufio.Writer, v *view) {
	if len(v.Offloads) == 0 {
		return
	}
	fmt.Fprintln(out, "\nRecent offloads")
	for _, o := range v.Offloads {
		fmt.Fprintf(out, "%s %s: card %s\n", o.Mark(), o.Word, o.Title)
		para(out, o.Reason)
		para(out, o.Facts)
		textGoing(out, o.Going)
		textCopies(out, o.Copies)
		for _, id := range o.RefersTo {
			para(out, "refers to "+id)
		}
		for _, what := range o.LeftOut {
			para(out, "left out: "+what)
		}
		for _, what := range o.Salvaged {
			para(out, "not whole: "+what)
		}
	}
	if v.Older > 0 {
		fmt.Fprintf(out, "and %s\n", count(v.Older, "older one", "older ones"))
	}
}

func textLeftAlone(out *bufio.Writer, devices []deviceView) {
	if len(devices) == 0 {
		return
	}
	fmt.Fprintln(out, "\nLeft alone")
	for _, d := range devices {
		fmt.Fprintf(out, "    %s: %s\n", d.Name, d.Sentence)
		para(out, d.Facts)
	}
}
