package udev

import (
	"fmt"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"pgregory.net/rapid"
)

func TestPrintable(t *testing.T) {
	t.Parallel()
	tests := []struct{ name, in, want string }{
		{"plain", "SKUA_A003", "SKUA_A003"},
		{"spaces stay", " SKUA 7 ", " SKUA 7 "},
		{"other scripts stay", "Føroyar-海鳥", "Føroyar-海鳥"},
		{"control characters", "a\nb\x1b[31mc\x00d\u0085", "a\ufffdb\ufffd[31mc\ufffdd\ufffd"},
		{"reversed writing direction", "gpj.\u202efdp", "gpj.\ufffdfdp"},
		{"line separator, zero width, private use", "a\u2028b\u200bc\ue000", "a\ufffdb\ufffdc\ufffd"},
		{"each invalid byte", "a\xff\xfeb", "a\ufffd\ufffdb"},
		{"markup is left to who renders it", "<b>&", "<b>&"},
		{"cut at a character", strings.Repeat("x", 255) + "ø", strings.Repeat("x", 255)},
		{"exactly as long as may be", strings.Repeat("ø", 128), strings.Repeat("ø", 128)},
		{"replacements count", strings.Repeat("\x01", 200), strings.Repeat("\ufffd", 85)},
		{"no character to cut at", strings.Repeat("\x80", 300), strings.Repeat("\ufffd", 85)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if got := Printable(tt.in); got != tt.want {
				t.Errorf("Printable(%q) = %q, want %q", tt.in, got, tt.want)
			}
		})
	}
}

func TestUnescape(t *testing.T) {
	t.Parallel()
	tests := []struct{ in, want string }{
		{"", ""},
		{"SKUA_A003", "SKUA_A003"},
		{`a\x20b`, "a b"},
		{`\x5cx20`, `\x20`},
		{`\xC3\xb8`, "ø"},
		{`\x2`, `\x2`},
		{`\x`, `\x`},
		{`\`, `\`},
		{`\xg0\x0g`, `\xg0\x0g`},
		{`\\x41`, `\A`},
	}
	for _, tt := range tests {
		if got := unescape(tt.in); got != tt.want {
			t.Errorf("unescape(%q) = %q, want %q", tt.in, got, tt.want)
		}
	}
}

// Whatever is encoded comes back, whichever bytes the encoder left alone.
func TestUnescape_undoesEncoding(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		original := string(rapid.SliceOf(rapid.Byte()).Draw(t, "original"))
		var encoded strings.Builder
		for i := range len(original) {
			if c := original[i]; c == '\\' || rapid.Bool().Draw(t, "escape") {
				fmt.Fprintf(&encoded, `\x%02x`, c)
			} else {
				encoded.WriteByte(c)
			}
		}
		if got := unescape(encoded.String()); got != original {
			t.Fatalf("unescape(%q) = %q, want %q", encoded.String(), got, original)
		}
	})
}

func checkPrintable(t testing.TB, s string) {
	t.Helper()
	if !utf8.ValidString(s) || len(s) > maxTextBytes {
		t.Errorf("%q is %d bytes, valid %v", s, len(s), utf8.ValidString(s))
	}
	for _, r := range s {
		if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Zl, r) || unicode.Is(unicode.Zp, r) {
			t.Errorf("%q holds %U", s, r)
		}
	}
}

func FuzzPrintable(f *testing.F) {
	for _, seed := range []string{"", "SKUA_A003", `SKUA\x207`, `\xff\xfe`, `\x0a\x1b[31m`, "\u202e", `\x5c\x`, strings.Repeat("ø", 300), strings.Repeat("\xf0", 300)} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, s string) {
		checkPrintable(t, Printable(s))
		checkPrintable(t, decoded(map[string]string{"E": s}, "E", "P"))
		if once := Printable(s); Printable(once) != once {
			t.Errorf("Printable(%q) is changed by a second pass", s)
		}
	})
}
