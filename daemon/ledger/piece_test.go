package ledger

import (
	"bytes"
	"testing"
)

func TestPieces(t *testing.T) {
	t.Parallel()
	for glob, want := range map[string]string{
		"*A0042*": "a0042", "*.mov": ".mov$", "sk*4?2*": "^sk 4 2", "a[*]b*": "^a*b", "*[ab]c[]x]d": "c d$", "*[!]]e": "e$", "?": "",
		"*\ufffdx\uffff": "x", "\ufffea": "a$", "*\u00e5": "\u00e5$", `*\[\?\*`: "[?*$", "*[!^]q": "q$", "*[^]q": "^q$",
	} {
		parsed, err := parseGlob(glob)
		must(t, err)
		p := piecesOf(parsed.glob)
		got := string(bytes.Join(p.list, []byte(" ")))
		if p.head {
			got = "^" + got
		}
		if p.tail {
			got += "$"
		}
		if got != want {
			t.Errorf("%s: %q, want %q", glob, got, want)
		}
	}
}
