package udev

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// maxTextBytes bounds every text field of a Device. The longest label among
// the file systems at hand is that of Btrfs, 255 bytes.
const maxTextBytes = 256

// Printable returns s fit to be shown: valid UTF-8, without control or format
// characters (so no line breaks and no reversed writing direction), at most 256
// bytes. Each character or byte that cannot be shown becomes U+FFFD, so that a
// damaged string still looks different from a sound one.
func Printable(s string) string {
	if len(s) > maxTextBytes {
		s = s[:cutAt(s, maxTextBytes)]
	}
	clean := strings.Map(func(r rune) rune {
		if unicode.IsGraphic(r) {
			return r
		}
		return utf8.RuneError // Map hands over invalid bytes as RuneError, too
	}, s)
	// A replaced byte takes three, so the result may have outgrown the bound.
	if len(clean) > maxTextBytes {
		clean = clean[:cutAt(clean, maxTextBytes)]
	}
	return clean
}

// cutAt returns the largest length of at most n bytes at which s can be cut
// without splitting a character.
func cutAt(s string, n int) int {
	for i := n; i > n-utf8.UTFMax && i > 0; i-- {
		if utf8.RuneStart(s[i]) {
			return i
		}
	}
	return n
}

// decoded returns the property encKey with its escapes undone or, when that is
// missing, the property plainKey; printable in both cases.
func decoded(props map[string]string, encKey, plainKey string) string {
	if enc := props[encKey]; enc != "" {
		return Printable(unescape(enc))
	}
	return Printable(props[plainKey])
}

// unescape undoes the encoding of udev's *_ENC properties: `\x` and two
// hexadecimal digits stand for one byte. A backslash that begins no such escape
// stays as it is, since udev encodes every backslash of the original.
func unescape(s string) string {
	if !strings.Contains(s, `\x`) {
		return s
	}
	var b strings.Builder
	b.Grow(len(s))
	for i := 0; i < len(s); i++ {
		if high, low, ok := escapeAt(s, i); ok {
			b.WriteByte(high<<4 | low)
			i += 3
			continue
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

func escapeAt(s string, i int) (high, low byte, ok bool) {
	if i+3 >= len(s) || s[i] != '\\' || s[i+1] != 'x' {
		return 0, 0, false
	}
	high, okHigh := hexDigit(s[i+2])
	low, okLow := hexDigit(s[i+3])
	return high, low, okHigh && okLow
}

func hexDigit(c byte) (byte, bool) {
	switch {
	case '0' <= c && c <= '9':
		return c - '0', true
	case 'a' <= c && c <= 'f':
		return c - 'a' + 10, true
	case 'A' <= c && c <= 'F':
		return c - 'A' + 10, true
	}
	return 0, false
}
