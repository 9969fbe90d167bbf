package policy

import (
	"strconv"
	"unicode"
	"unicode/utf8"
)

// Patterns are globs of which one must match the whole of a value; none given
// asks nothing. In a glob "*" is any run of characters, "?" one character,
// "[a-z]" one of those and "[!a-z]" none of those; a backslash takes away the
// meaning of the character after it. Upper and lower case differ. An empty
// value matches no glob, not even "*".
type Patterns []string

// maxValue bounds, in bytes, the values that patterns are tried on; what is
// longer matches nothing.
const maxValue = 4096

// matching returns the first pattern that matches value.
func (ps Patterns) matching(value string) (pattern string, ok bool) {
	for _, p := range ps {
		if globMatches(p, value, false) {
			return p, true
		}
	}
	return "", false
}

// matchingFolded is matching without regard to upper and lower case.
func (ps Patterns) matchingFolded(value string) bool {
	for _, p := range ps {
		if globMatches(p, value, true) {
			return true
		}
	}
	return false
}

// globToken is one step of a glob: a literal, a class, or a star.
type globToken struct {
	star    bool
	any     bool
	literal rune
	class   []runeRange // not nil for a class
	negated bool
}

type runeRange struct{ low, high rune }

func (t globToken) matches(r rune, fold bool) bool {
	switch {
	case t.any:
		return true
	case t.class != nil:
		found := inClass(t.class, r)
		if fold && !found {
			for f := unicode.SimpleFold(r); f != r && !found; f = unicode.SimpleFold(f) {
				found = inClass(t.class, f)
			}
		}
		return found != t.negated
	case fold:
		return foldRune(t.literal) == foldRune(r)
	}
	return t.literal == r
}

func inClass(class []runeRange, r rune) bool {
	for _, c := range class {
		if c.low <= r && r <= c.high {
			return true
		}
	}
	return false
}

// foldRune returns the smallest of the runes that differ from r in case only.
func foldRune(r rune) rune {
	least := r
	for f := unicode.SimpleFold(r); f != r; f = unicode.SimpleFold(f) {
		least = min(least, f)
	}
	return least
}

// globMatches reports whether glob matches the whole of value. A glob that is
// malformed matches nothing. The time is at most the product of both lengths.
func globMatches(glob, value string, fold bool) bool {
	if value == "" || len(value) > maxValue {
		return false
	}
	tokens, f := parseGlob(glob)
	if f != nil {
		return false
	}
	runes := []rune(value)
	t, r := 0, 0
	starAt, starRune := -1, 0 // the newest star and where its run ends for now
	for r < len(runes) {
		switch {
		case t < len(tokens) && tokens[t].star:
			starAt, starRune = t, r
			t++
		case t < len(tokens) && tokens[t].matches(runes[r], fold):
			t++
			r++
		case starAt >= 0:
			starRune++
			t, r = starAt+1, starRune
		default:
			return false
		}
	}
	for t < len(tokens) && tokens[t].star {
		t++
	}
	return t == len(tokens)
}

// parseGlob splits glob into tokens or says what is wrong with it.
func parseGlob(glob string) ([]globToken, *flaw) {
	var tokens []globToken
	for i := 0; i < len(glob); {
		r, size := utf8.DecodeRuneInString(glob[i:])
		switch r {
		case '*':
			tokens = append(tokens, globToken{star: true})
		case '?':
			tokens = append(tokens, globToken{any: true})
		case '\\':
			next, nextSize := utf8.DecodeRuneInString(glob[i+1:])
			if nextSize == 0 {
				return nil, &flaw{message: "the pattern ends in a backslash", hint: `write \\ for a backslash itself`, offset: i}
			}
			tokens = append(tokens, globToken{literal: next})
			size += nextSize
		case '[':
			token, length, f := parseClass(glob[i:])
			if f != nil {
				f.offset += i
				return nil, f
			}
			tokens = append(tokens, token)
			size = length
		default:
			tokens = append(tokens, globToken{literal: r})
		}
		i += size
	}
	return tokens, nil
}

// parseClass reads the class that s begins with and returns its length in bytes.
func parseClass(s string) (globToken, int, *flaw) {
	token := globToken{class: []runeRange{}}
	unclosed := &flaw{message: `"[" has no "]"`, hint: `write \[ for the bracket itself`}
	i := 1
	if i < len(s) && (s[i] == '!' || s[i] == '^') {
		token.negated = true
		i++
	}
	for first := true; ; first = false {
		if i >= len(s) {
			return token, 0, unclosed
		}
		if s[i] == ']' && !first {
			return token, i + 1, nil
		}
		start := i
		low, next, ok := classRune(s, i)
		if !ok {
			return token, 0, unclosed
		}
		high := low
		i = next
		if i+1 < len(s) && s[i] == '-' && s[i+1] != ']' {
			if high, i, ok = classRune(s, i+1); !ok {
				return token, 0, unclosed
			}
		}
		if high < low {
			f := flawf("the lower end comes first", "the range %s holds nothing", strconv.Quote(s[start:i]))
			f.offset = start
			return token, 0, f
		}
		token.class = append(token.class, runeRange{low, high})
	}
}

// classRune reads one, possibly escaped, character of a class at s[i:].
func classRune(s string, i int) (r rune, next int, ok bool) {
	if i < len(s) && s[i] == '\\' {
		i++
	}
	if i >= len(s) {
		return 0, 0, false
	}
	r, size := utf8.DecodeRuneInString(s[i:])
	return r, i + size, true
}
