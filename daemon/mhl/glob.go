package mhl

import "strings"

// kind is what a token of a compiled pattern matches.
type kind byte

const (
	one  kind = iota // one byte of a set
	star             // any bytes but slashes
	dirs             // any number of whole folders, each with its slash
	rest             // everything to the end, at least one byte
)

type token struct {
	kind kind
	set  *[256]bool // for one
}

// compile turns a pattern into tokens; ok is false when it is malformed.
func compile(pattern string) (tokens []token, ok bool) {
	for i := 0; i < len(pattern); {
		switch c := pattern[i]; c {
		case '*':
			end := i
			for end < len(pattern) && pattern[end] == '*' {
				end++
			}
			bordered := end-i >= 2 && (i == 0 || pattern[i-1] == '/')
			switch {
			case bordered && end == len(pattern):
				tokens = append(tokens, token{kind: rest})
			case bordered && pattern[end] == '/':
				tokens = append(tokens, token{kind: dirs})
				end++
			default:
				tokens = append(tokens, token{kind: star})
			}
			i = end
		case '?':
			set := every()
			tokens = append(tokens, token{one, set})
			i++
		case '[':
			set, length, ok := bracket(pattern[i:])
			if !ok {
				return nil, false
			}
			tokens = append(tokens, token{one, set})
			i += length
		default:
			if c == '\\' {
				i++
				if i == len(pattern) {
					return nil, false
				}
				c = pattern[i]
			}
			tokens = append(tokens, token{one, only(c)})
			i++
		}
	}
	return tokens, true
}

func only(c byte) *[256]bool {
	var set [256]bool
	set[c] = true
	return &set
}

// every is the set of all bytes that stay within an element.
func every() *[256]bool {
	var set [256]bool
	for c := range set {
		set[c] = c != '/'
	}
	return &set
}

// bracket reads an expression like [a-z], [!x] or [[:digit:]] at the beginning
// of s and gives its set, which never has the slash, and its length.
func bracket(s string) (set *[256]bool, length int, ok bool) {
	var listed [256]bool
	i, negated := 1, false
	if i < len(s) && (s[i] == '!' || s[i] == '^') {
		negated, i = true, i+1
	}
	for first := true; ; first = false {
		if i >= len(s) {
			return nil, 0, false
		}
		if s[i] == ']' && !first {
			break
		}
		if strings.HasPrefix(s[i:], "[:") {
			name, _, found := strings.Cut(s[i+2:], "]")
			name, colon := strings.CutSuffix(name, ":")
			member := classes[name]
			if found && colon {
				if member == nil {
					return nil, 0, false
				}
				for c := range listed {
					listed[c] = listed[c] || member(byte(c))
				}
				i += len("[:") + len(name) + len(":]")
				continue
			}
		}
		low, n, ok := bracketByte(s[i:])
		if !ok {
			return nil, 0, false
		}
		i += n
		high := low
		if i+1 < len(s) && s[i] == '-' && s[i+1] != ']' {
			if high, n, ok = bracketByte(s[i+1:]); !ok {
				return nil, 0, false
			}
			i += 1 + n
		}
		listed[low] = true // git takes a range that runs backwards for its first byte
		for c := int(low); c <= int(high); c++ {
			listed[c] = true
		}
	}
	for c := range listed {
		listed[c] = listed[c] != negated && c != '/'
	}
	return &listed, i + 1, true
}

// bracketByte reads one byte, which a backslash may escape.
func bracketByte(s string) (c byte, length int, ok bool) {
	if s[0] != '\\' {
		return s[0], 1, true
	}
	if len(s) < 2 {
		return 0, 0, false
	}
	return s[1], 2, true
}

// match runs all ways through the tokens at once, so that its time is at most
// the product of both lengths.
func match(tokens []token, text string) bool {
	now, next := make([]bool, len(tokens)+1), make([]bool, len(tokens)+1)
	enter(tokens, now, 0)
	for i := range len(text) {
		c := text[i]
		clear(next)
		for at, t := range tokens {
			if !now[at] {
				continue
			}
			switch t.kind {
			case one:
				if t.set[c] {
					enter(tokens, next, at+1)
				}
			case star:
				if c != '/' {
					enter(tokens, next, at)
				}
			case dirs:
				// Within a folder's name only the token itself goes on; behind
				// its slash so does what follows.
				next[at] = true
				if c == '/' {
					enter(tokens, next, at+1)
				}
			case rest:
				return true
			}
		}
		now, next = next, now
	}
	return now[len(tokens)]
}

// enter marks the token at as reachable, and those behind it that may match
// nothing.
func enter(tokens []token, reachable []bool, at int) {
	for reachable[at] = true; at < len(tokens) && (tokens[at].kind == star || tokens[at].kind == dirs); {
		at++
		reachable[at] = true
	}
}
