package metrics

import (
	"strings"
	"unicode"
)

// Bounds on what a scrape may carry.
const (
	MaxLabelRunes = 64 // of one label value
	MaxDrives     = 64 // drives with series of their own
	MaxSlotCards  = 64 // combinations of slot, rule and verdict
	MaxCodes      = 64 // codes of conditions
)

// label makes s fit for a label value: valid UTF-8, printable, at most
// MaxLabelRunes runes. What cannot be printed becomes '_'.
func label(s string) string {
	var b strings.Builder
	n := 0
	for _, r := range s {
		if n == MaxLabelRunes {
			break
		}
		if r == unicode.ReplacementChar || !unicode.IsPrint(r) {
			r = '_'
		}
		b.WriteRune(r)
		n++
	}
	return b.String()
}

// oneOf returns s if it is in list and fallback otherwise.
func oneOf(s string, list []string, fallback string) string {
	for _, known := range list {
		if s == known {
			return s
		}
	}
	return fallback
}
