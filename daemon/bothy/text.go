package main

import (
	"fmt"
	"strings"
	"unicode"
)

// printable makes a name safe for a terminal. Labels and file names come from
// whoever formatted the medium: what is no printable character (controls, escape
// sequences, direction marks, invalid UTF-8) becomes a question mark.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r == unicode.ReplacementChar || !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, s)
}

// humanBytes prints a size in decimal units (IEC 80000-13: 1 GB is 10^9 bytes).
func humanBytes(n int64) string {
	if n < 1000 {
		return fmt.Sprintf("%d B", n)
	}
	value, unit := float64(n)/1000, 0
	for value >= 999.95 && unit < 4 {
		value /= 1000
		unit++
	}
	return fmt.Sprintf("%.1f %cB", value, "kMGTP"[unit])
}

// count prints a number and its noun, whose plural takes an s.
func count(n int, noun string) string { return countAll(n, noun, noun+"s") }

// countAll prints a number and its noun.
func countAll(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
