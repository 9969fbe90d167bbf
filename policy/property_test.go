package policy

import (
	"fmt"
	"io/fs"
	"path"
	"strings"
	"testing"
	"testing/fstest"

	"pgregory.net/rapid"
)

// plainRule is a rule of the reference: labels and slots by path.Match of the
// standard library, and one name at the top of the card.
type plainRule struct{ label, slot, holds string }

func (r plainRule) text(kind string, i int) string {
	s := fmt.Sprintf("[[%s]]\nname = \"%s%d\"\n", kind, kind, i)
	for _, c := range [][2]string{{"label", r.label}, {"slot", r.slot}} {
		if c[1] != "" {
			s += fmt.Sprintf("%s = %q\n", c[0], c[1])
		}
	}
	if r.holds != "" {
		s += fmt.Sprintf("holds = [%q]\n", r.holds)
	}
	return s
}

func (r plainRule) takes(label, slot, held string) bool {
	for _, c := range [][2]string{{r.label, label}, {r.slot, slot}, {r.holds, held}} {
		if c[0] == "" {
			continue
		}
		if ok, err := path.Match(c[0], c[1]); err != nil || !ok || c[1] == "" {
			return false
		}
	}
	return true
}

// TestDecide_firstMatchWins compares with a reference that knows nothing of
// this package: path.Match, rules tried in order, both kinds left alone.
func TestDecide_firstMatchWins(t *testing.T) {
	t.Parallel()
	glob := rapid.SampledFrom([]string{"", "", "A*", "?", "B", "*B", "AB", "*"})
	value := rapid.SampledFrom([]string{"", "A", "B", "AB", "BA"})
	rapid.Check(t, func(t *rapid.T) {
		rules := func(kind string, holds bool) (list []plainRule) {
			for range rapid.IntRange(1, 5).Draw(t, kind) {
				r := plainRule{label: glob.Draw(t, "label"), slot: glob.Draw(t, "slot")}
				if holds && rapid.Bool().Draw(t, "asks what it holds") {
					r.holds = rapid.SampledFrom([]string{"A", "B", "*"}).Draw(t, "holds")
				}
				if r == (plainRule{}) {
					r.label = "A"
				}
				list = append(list, r)
			}
			return list
		}
		cards, drives := rules("card", true), rules("drive", false)
		var text strings.Builder
		for i, r := range cards {
			text.WriteString(r.text("card", i))
		}
		for i, r := range drives {
			text.WriteString(r.text("drive", i))
		}
		p, err := Parse("random.toml", []byte(text.String()))
		if err != nil {
			t.Fatalf("%v\n%s", err, text.String())
		}
		label, slot, held := value.Draw(t, "label of it"), value.Draw(t, "slot of it"), rapid.SampledFrom([]string{"", "A", "B"}).Draw(t, "held")
		facts := Facts{
			Label: label, Slot: slot, SizeBytes: 1, HasFileSystem: true, Tree: fstest.MapFS{},
			RunningSystem: rapid.IntRange(0, 9).Draw(t, "system") == 0,
		}
		if held != "" {
			facts.Tree = fstest.MapFS{held: {Mode: fs.ModeDir}}
		}
		card, drive := first(cards, "card", label, slot, held), first(drives, "drive", label, slot, "")
		want, rule := OutcomeLeftAlone, ""
		switch {
		case facts.RunningSystem || card != "" && drive != "":
		case card != "":
			want, rule = OutcomeCard, card
		case drive != "":
			want, rule = OutcomeDrive, drive
		}
		got := p.Decide(facts)
		if got.Outcome != want || got.Rule != rule {
			t.Fatalf("got %s by %q, want %s by %q\n%s\n%s", got.Outcome, got.Rule, want, rule, got.Explain(), text.String())
		}
		// Without the tree nothing may be taken that the tree would forbid.
		facts.Tree = nil
		blind := p.Decide(facts)
		if blind.Outcome != OutcomeNeedsTree && (blind.Outcome != want || blind.Rule != rule) {
			t.Fatalf("without its tree it is %s by %q, with it %s by %q\n%s", blind.Outcome, blind.Rule, want, rule, text.String())
		}
	})
}

func first(rules []plainRule, kind, label, slot, held string) string {
	for i, r := range rules {
		if r.takes(label, slot, held) {
			return fmt.Sprintf("%s%d", kind, i)
		}
	}
	return ""
}
