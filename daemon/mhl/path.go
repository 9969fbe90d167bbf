package mhl

import (
	"io/fs"
	"unicode/utf8"
)

// EncodablePath reports whether a manifest can carry path: relative with
// slashes and without "." or ".." elements, valid UTF-8, at most 4096 bytes,
// and only characters that XML 1.0 (section 2.2) allows, which leaves out most
// control characters. What isn't encodable must be refused before it is
// copied.
func EncodablePath(path string) bool {
	return len(path) <= maxPathBytes && path != "." && fs.ValidPath(path) && encodableText(path)
}

// encodableText reports whether XML can carry s and give it back unchanged.
func encodableText(s string) bool {
	if !utf8.ValidString(s) {
		return false
	}
	for _, r := range s {
		switch {
		case r == '\t', r == '\n', r == '\r':
		case r < 0x20, r == 0xFFFE, r == 0xFFFF:
			return false
		}
	}
	return true
}
