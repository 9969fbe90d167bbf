package policy

import (
	"strconv"
	"strings"
	"time"
)

// maxMirrorDays is ten years; more is a slip of the pen.
const maxMirrorDays = 3660

// parseMirror reads "all", "none" or "since 14d".
func parseMirror(s string) (none bool, within time.Duration, f *flaw) {
	const form = `write "all", "none", or a number of days like "since 14d"`
	switch s {
	case "all":
		return false, 0, nil
	case "none":
		return true, 0, nil
	}
	text, ok := strings.CutPrefix(s, "since ")
	digits, isDays := strings.CutSuffix(text, "d")
	if !ok || !isDays || digits == "" || strings.Trim(digits, "0123456789") != "" {
		return false, 0, flawf(form, "%s is not a choice of what is mirrored", quoted(s))
	}
	days, err := strconv.Atoi(digits)
	if err != nil || days < 1 || days > maxMirrorDays {
		return false, 0, flawf(form, "%s is not between 1 and %d days", quoted(s), maxMirrorDays)
	}
	return false, time.Duration(days) * 24 * time.Hour, nil
}
