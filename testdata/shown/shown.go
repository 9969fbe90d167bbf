// Package shown helps to try what people are shown, in a browser, in a terminal or
// on paper: with hostile texts, and by what can be told apart.
package shown

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Hostile are things a medium may call itself: markup, text directions (Unicode
// Standard Annex 9), escape sequences (ECMA-48), line breaks, invalid UTF-8.
var Hostile = []string{
	"</title></bdi><script>alert(1)</script>",
	"\"><img src=x onerror=alert(1)>",
	"' onmouseover='alert(1)",
	"--><!-- <style>*{display:none}</style>",
	"{{.Box}} ]]> &lt; &#x202e; </main>",
	"\u202eEVITAGEN\u202c \u2066x\u2069 \u200f",
	"\x1b[2J\x1b[31mRELEASE\x1b[0m\x07\x9b1m",
	"line\r\nRELEASE: take it out, reuse it\n\x00",
	"\xff\xfe invalid \xc3\x28",
	"javascript:alert(1)",
	"\u200b\u2028\u2029\ufeff\U000e0041 a" + strings.Repeat("\u0301", 500),
	strings.Repeat("A", 300_000),
}

// MustPrint fails unless s holds printable text and line breaks only. what says
// where s is shown.
func MustPrint(t interface{ Errorf(string, ...any) }, what, s string) {
	if !utf8.ValidString(s) {
		t.Errorf("%s is not UTF-8", what)
	}
	for i, r := range s {
		if r != '\n' && !unicode.IsPrint(r) {
			t.Errorf("%s: %U at byte %d", what, r, i)
			return
		}
	}
}

// Contrast is the contrast ratio of two colours, written like #1a2b3c or 1a2b3c: 1 to
// 21, by the formulas of WCAG 2.2 ("relative luminance" and "contrast ratio").
func Contrast(a, b string) (float64, error) {
	la, err := luminance(a)
	if err != nil {
		return 0, err
	}
	lb, err := luminance(b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05), err
}

func luminance(hex string) (float64, error) {
	digits := strings.TrimPrefix(hex, "#")
	n, err := strconv.ParseUint(digits, 16, 24)
	if err != nil || len(digits) != 6 {
		return 0, fmt.Errorf("colour %q is not written like #1a2b3c", hex)
	}
	part := func(shift int) float64 {
		v := float64(n>>shift&0xff) / 255
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0), nil
}
