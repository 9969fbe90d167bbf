package state

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// maxMarks is how many combining marks one letter may carry when it is shown.
const maxMarks = 3

// Harmless reports whether r may be shown as it is: it prints, and it neither
// moves the cursor nor turns the direction of text around it.
func Harmless(r rune) bool {
	return r == ' ' || (unicode.IsPrint(r) && r != utf8.RuneError)
}

// Clean makes s fit to be shown to a person, on a page, on paper or in a
// terminal. Control characters, escape sequences, bidirectional controls,
// invisible and unassigned characters are spelled out as \u202e; heaps of
// combining marks are thinned. A backslash of the original stays one, so the
// result is for reading only.
func Clean(s string) string {
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
		if Harmless(r) {
			b.WriteRune(r)
		} else {
			b.WriteString(SpellOut(r))
		}
	}
	return b.String()
}

// SpellOut writes a character as \u202e or \U0001f427.
func SpellOut(r rune) string {
	if r > 0xffff {
		return fmt.Sprintf(`\U%08x`, r)
	}
	return fmt.Sprintf(`\u%04x`, r)
}
