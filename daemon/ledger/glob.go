package ledger

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// ErrGlob: what was given is no glob that this package takes.
var ErrGlob = errors.New("not a glob")

// Bounds on a glob.
const (
	maxGlobBytes = 1024
	maxGlobStars = 16
)

// pattern is a glob as the database is asked for it. Upper and lower case of
// ASCII letters are the same.
type pattern struct {
	glob   string // as SQLite's GLOB spells it, in lower case
	prefix string // the literal characters it begins with, in lower case
	exact  bool   // it is nothing but the prefix
}

// parseGlob reads a glob in the spelling of the policy: "*" is any run of
// characters, "?" one, "[a-z]" one of those, "[!a-z]" none of those; a backslash
// takes away the meaning of what follows.
func parseGlob(s string) (pattern, error) {
	bad := func(why string) (pattern, error) { return pattern{}, fmt.Errorf("%w: %s", ErrGlob, why) }
	switch {
	case !utf8.ValidString(s) || strings.ContainsRune(s, 0):
		return bad("it holds what is no text")
	case len(s) > maxGlobBytes:
		return bad(fmt.Sprintf("it is longer than %d bytes", maxGlobBytes))
	case strings.Count(s, "*") > maxGlobStars:
		return bad(fmt.Sprintf("it has more than %d stars", maxGlobStars))
	}
	var glob, prefix strings.Builder
	literal := true
	s = lowerASCII(s)
	for i := 0; i < len(s); i++ {
		switch c := s[i]; c {
		case '*', '?':
			literal = false
			glob.WriteByte(c)
		case '[':
			literal = false
			class, length := parseClass(s[i:])
			if length == 0 {
				return bad("a [ has no ]")
			}
			glob.WriteString(class)
			i += length - 1
		case '\\':
			if i++; i == len(s) {
				return bad("nothing follows its last backslash")
			}
			fallthrough
		default:
			if strings.IndexByte("*?[", s[i]) >= 0 {
				glob.WriteString("[" + s[i:i+1] + "]")
			} else {
				glob.WriteByte(s[i])
			}
			if literal {
				prefix.WriteByte(s[i])
			}
		}
	}
	return pattern{glob.String(), prefix.String(), literal}, nil
}

// parseClass turns the class that s begins with into SQLite's spelling; length 0
// says that it has no end.
func parseClass(s string) (class string, length int) {
	begin, at := "[", 1
	if strings.HasPrefix(s, "[!") {
		begin, at = "[^", 2
	}
	end := strings.IndexByte(s[min(at+1, len(s)):], ']') // a ] that comes first is one of them
	if end < 0 {
		return "", 0
	}
	end += at + 1
	inside := s[at:end]
	if begin == "[" && inside[0] == '^' { // there it would negate; last it does not
		if inside = inside[1:] + "^"; inside == "^" {
			return "^", end + 1
		}
	}
	return begin + inside + "]", end + 1
}

// after is a text that comes behind everything with a prefix, in the order of
// the database; "" when there is none.
func after(prefix string) string {
	for prefix != "" {
		r, size := utf8.DecodeLastRuneInString(prefix)
		prefix = prefix[:len(prefix)-size]
		switch {
		case r == 0xd7ff: // then come the surrogates, which are no text
			return prefix + "\ue000"
		case r < utf8.MaxRune:
			return prefix + string(r+1)
		}
	}
	return ""
}

// lowerASCII folds as the collation NOCASE does.
func lowerASCII(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'A' && r <= 'Z' {
			return r + 'a' - 'A'
		}
		return r
	}, s)
}
