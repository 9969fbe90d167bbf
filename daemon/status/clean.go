package status

import (
	"strings"
	"unicode/utf8"

	"bothy/daemon/state"
)

// Bounds on what a document carries, in runes and entries. What is cut ends in
// an ellipsis.
const (
	maxBrief       = 256   // a label, a name, an id
	maxLong        = 2048  // a sentence, a path
	maxPolicyError = 16384 // every fault of a policy, one per line
	maxList        = 4096  // entries of one list
)

func brief(s string) string { return cut(s, maxBrief) }
func long(s string) string  { return cut(s, maxLong) }

// cut bounds s to limit runes and makes it valid UTF-8. It keeps control and
// bidirectional characters: a document says what is there. They are escaped
// where it is written (encode) and where it is shown (clean).
func cut(s string, limit int) string {
	if len(s) > limit*utf8.UTFMax { // no need to decode what is cut anyway
		s = s[:limit*utf8.UTFMax]
	}
	s = strings.ToValidUTF8(s, "\ufffd")
	n := 0
	for i := range s {
		if n == limit-1 && utf8.RuneCountInString(s[i:]) > 1 {
			return s[:i] + "\u2026"
		}
		n++
	}
	return s
}

// harmless and clean are for all who show what came from outside.
func harmless(r rune) bool  { return state.Harmless(r) }
func clean(s string) string { return state.Clean(s) }

// cleanLines is clean for text whose line breaks are meant.
func cleanLines(s string) []string {
	var lines []string
	for line := range strings.Lines(s) {
		if line = clean(strings.TrimRight(line, "\r\n")); line != "" {
			lines = append(lines, line)
		}
	}
	return lines
}
