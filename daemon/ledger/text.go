package ledger

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// cleanText makes free text (labels, reasons, names) fit for a database that
// other people's clients read: valid UTF-8 without NUL. What does not fit becomes
// U+FFFD. Labels come from strangers' cards and must not stop work.
func cleanText(s string) string {
	if utf8.ValidString(s) && !strings.ContainsRune(s, 0) {
		return s
	}
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
}

// checkKey refuses text that identifies something and would have to be altered
// to be stored: two things must never become one.
func checkKey(what, s string) error {
	switch {
	case s == "":
		return fmt.Errorf("%s: %w", what, errEmpty)
	case !utf8.ValidString(s):
		return fmt.Errorf("%s %q: not valid UTF-8", what, s)
	case strings.ContainsRune(s, 0):
		return fmt.Errorf("%s %q: contains NUL", what, s)
	}
	return nil
}

var errEmpty = errors.New("must not be empty")
