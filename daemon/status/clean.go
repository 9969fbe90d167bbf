package status

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Bounds on what a document carries, in runes and entries. What is cut ends in
// an ellipsis.
const (
	maxBrief       = 256   // a label, a name, an id
	maxLong        = 2048  // a sentence, a path
	maxPolicyError = 16384 // every fault of a policy, one per line
	maxList        = 4096  // entries of one list
	maxMarks       = 3     // combining marks on one letter, when shown to a person
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

// harmless reports whether r may be shown as it is: it prints, and it neither
// moves the cursor nor turns the direction of text around it.
func harmless(r rune) bool {
	return r == ' ' || (unicode.IsPrint(r) && r != utf8.RuneError)
}

// clean makes s fit to be shown to a person, on a page or in a terminal. Control
// characters, escape sequences, bidirectional controls, invisible and unassigned
// characters are spelled out as \u202e; heaps of combining marks are thinned.
// A backslash of the original stays one, so the result is for reading only.
func clean(s string) string {
	var b strings.Builder
	marks := 0
	for _, r := range s {
		if unicode.In(r, unicode.Mn, unicode.Me) {
			if marks++; marks > maxMarks {
				continue
			}
		} else {
			marks = 0
		}
		switch {
		case harmless(r):
			b.WriteRune(r)
		case r > 0xffff:
			fmt.Fprintf(&b, `\U%08x`, r)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
	}
	return b.String()
}

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
