package policy

import (
	"path"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestGlob_matches(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		glob, value  string
		exact, folds bool
	}{
		{"SKUA_*", "SKUA_A003", true, true},
		{"SKUA_*", "SKUA_", true, true},
		{"SKUA_*", "skua_a003", false, true},
		{"SKUA_*", "XSKUA_A", false, false},
		{"*", "", false, false}, // an empty value never matches
		{"", "", false, false},
		{"*", "a/b", true, true}, // a slash is nothing special
		{"a?c", "a/c", true, true},
		{"?", "ý", true, true}, // one character, not one byte
		{"?", "ab", false, false},
		{"*ab*ab*", "xabyabz", true, true},
		{"*ab*ab*", "xaby", false, false},
		{"[a-c]x", "bx", true, true},
		{"[a-c]x", "Bx", false, true},
		{"[!a-c]x", "bx", false, false},
		{"[!a-c]x", "dx", true, true},
		{"[^a-c]x", "dx", true, true},
		{"[!a-c]x", "Bx", true, false},
		{"[]]", "]", true, true},
		{"[a-]", "-", true, true},
		{`[\]-]`, "]", true, true},
		{`\*`, "*", true, true},
		{`\*`, "x", false, false},
		{`\[x\]`, "[x]", true, true},
		{"[", "[", false, false}, // malformed: matches nothing, does not panic
		{`x\`, "x", false, false},
		{"[z-a]", "b", false, false},
		{"k", "\u212a", false, true}, // KELVIN SIGN folds to k
		{"ß", "ẞ", false, true},
		{"*", strings.Repeat("x", maxValue), true, true},
		{"*", strings.Repeat("x", maxValue+1), false, false},
		{"a*", "a\xff\xfe", true, true},
	} {
		if got := globMatches(test.glob, test.value, false); got != test.exact {
			t.Errorf("%q matches %.40q: %v, want %v", test.glob, test.value, got, test.exact)
		}
		if got := globMatches(test.glob, test.value, true); got != test.folds {
			t.Errorf("%q matches %.40q in any case: %v, want %v", test.glob, test.value, got, test.folds)
		}
	}
}

// TestGlob_agreesWithPathMatch compares with the matcher of Go's standard
// library, which has the same syntax but for "!", on values without a slash.
func TestGlob_agreesWithPathMatch(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		piece := rapid.SampledFrom([]string{"a", "b", "B", "ý", "*", "?", "[ab]", "[^a]", "[a-c]", `\*`, `\a`, "*", "**"})
		glob := strings.Join(rapid.SliceOfN(piece, 0, 8).Draw(t, "glob"), "")
		value := rapid.StringOfN(rapid.RuneFrom([]rune("abcBý*")), 1, 10, -1).Draw(t, "value")
		want, err := path.Match(glob, value)
		if err != nil {
			t.Fatalf("path.Match refuses %q: %v", glob, err)
		}
		if got := globMatches(glob, value, false); got != want {
			t.Fatalf("%q matches %q: %v, path.Match says %v", glob, value, got, want)
		}
		if _, f := parseGlob(glob); f != nil {
			t.Fatalf("%q is refused: %s", glob, f.message)
		}
	})
}

// TestGlob_manyStars has a glob that a backtracking matcher would need ages
// for; that it ends at all is the check.
func TestGlob_manyStars(t *testing.T) {
	t.Parallel()
	if globMatches(strings.Repeat("a*", 120)+"b", strings.Repeat("a", maxValue), true) {
		t.Error("a run of a's matches a glob that ends in b")
	}
}

func FuzzGlob(f *testing.F) {
	for _, glob := range []string{"SKUA_*", "[", "[!", "[]", "[a-", `[\`, `\`, "[z-a]", "*[a-c]?", "[\xff-\xfe]", "**"} {
		f.Add(glob, "SKUA_A003")
	}
	f.Fuzz(func(t *testing.T, glob, value string) {
		_, flaw := parseGlob(glob)
		if flaw != nil && (flaw.offset < 0 || flaw.offset > len(glob)) {
			t.Errorf("flaw of %q at %d", glob, flaw.offset)
		}
		exact, folded := globMatches(glob, value, false), globMatches(glob, value, true)
		if (exact || folded) && (flaw != nil || value == "") {
			t.Errorf("%q matches %q", glob, value)
		}
		if exact && !folded && !strings.Contains(glob, "[") {
			t.Errorf("%q matches %q only when case counts", glob, value)
		}
	})
}
