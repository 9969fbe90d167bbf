package mhl

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// The bounds on patterns. They hold for patterns of others too, so that a
// hostile manifest can't make matching slow.
const (
	maxPatterns     = 1000
	maxPatternBytes = 1024
)

// ErrPatterns says that patterns exceed the bounds, or that XML can't carry
// one.
var ErrPatterns = errors.New("patterns can't be used")

// DefaultIgnore lists the patterns that every manifest has. The caller owns
// the slice.
func DefaultIgnore() []string { return []string{".DS_Store", FolderName, FolderName + "/"} }

// Ignore tells which paths a list of patterns leaves out. The syntax is that of
// gitignore(5), which the standard's Appendix C adopts; matching is bytewise
// and minds case. The zero value leaves nothing out.
type Ignore struct{ rules []rule }

// rule is one pattern.
type rule struct {
	tokens   []token
	literal  string // what tokens match, when it is one text only
	negated  bool
	dirOnly  bool
	baseOnly bool // matched against the last element only
}

// ParseIgnore compiles patterns, of which a later one overrules an earlier one.
// As in git a malformed pattern matches nothing and is no error. An error is
// ErrPatterns.
func ParseIgnore(patterns []string) (*Ignore, error) {
	if len(patterns) > maxPatterns {
		return nil, fmt.Errorf("read %d ignore patterns: more than %d: %w", len(patterns), maxPatterns, ErrPatterns)
	}
	ignore := &Ignore{}
	for _, pattern := range patterns {
		if len(pattern) > maxPatternBytes || !encodableText(pattern) {
			return nil, fmt.Errorf("read ignore pattern %.60q: %w", pattern, ErrPatterns)
		}
		if r, ok := parseRule(pattern); ok {
			ignore.rules = append(ignore.rules, r)
		}
	}
	return ignore, nil
}

// Match reports whether path, with slashes and relative to the root, is left
// out: itself, or because a folder above it is.
func (g *Ignore) Match(path string, isDir bool) bool {
	if len(g.rules) == 0 {
		return false
	}
	for i := range len(path) {
		if path[i] == '/' && g.matchOne(path[:i], true) {
			return true
		}
	}
	return g.matchOne(path, isDir)
}

func (g *Ignore) matchOne(path string, isDir bool) bool {
	base := path[strings.LastIndexByte(path, '/')+1:]
	for _, r := range slices.Backward(g.rules) {
		text := path
		if r.baseOnly {
			text = base
		}
		if (isDir || !r.dirOnly) && r.match(text) {
			return !r.negated
		}
	}
	return false
}

// match is quick for most patterns: they are matched against every file.
func (r *rule) match(text string) bool {
	if r.literal != "" {
		return text == r.literal
	}
	return match(r.tokens, text)
}

func parseRule(pattern string) (r rule, ok bool) {
	pattern = trimTrailingSpaces(pattern)
	if strings.HasPrefix(pattern, "#") {
		return rule{}, false
	}
	if rest, found := strings.CutPrefix(pattern, "!"); found {
		r.negated, pattern = true, rest
	}
	if rest, found := strings.CutSuffix(pattern, "/"); found {
		r.dirOnly, pattern = true, rest
	}
	r.baseOnly = !strings.Contains(pattern, "/")
	pattern = strings.TrimPrefix(pattern, "/")
	if pattern == "" {
		return rule{}, false
	}
	if !strings.ContainsAny(pattern, `*?[\`) {
		r.literal = pattern
	}
	r.tokens, ok = compile(pattern)
	return r, ok
}

// trimTrailingSpaces takes off spaces at the end, but for an escaped one.
func trimTrailingSpaces(pattern string) string {
	end := 0
	for i := 0; i < len(pattern); i++ {
		switch pattern[i] {
		case ' ':
			continue
		case '\\':
			i++
		}
		end = min(i+1, len(pattern))
	}
	return pattern[:end]
}
