package policy

import (
	"strconv"
	"strings"
	"time"
)

// maxDays is ten years; more is a slip of the pen.
const maxDays = 3660

// parseMirror reads "all", "none" or "since 14d".
func parseMirror(s string) (none bool, within time.Duration, f *flaw) {
	const form = `write "all", "none", or a number of days like "since 14d"`
	switch s {
	case "all":
		return false, 0, nil
	case "none":
		return true, 0, nil
	}
	days, ok := strings.CutPrefix(s, "since ")
	if !ok {
		return false, 0, flawf(form, "%s is not a choice of what is mirrored", quoted(s))
	}
	within, f = parseDays(days, form)
	return false, within, f
}

// parseDays reads a number of days like "14d".
func parseDays(s, form string) (time.Duration, *flaw) {
	digits, ok := strings.CutSuffix(s, "d")
	if !ok || digits == "" || strings.Trim(digits, "0123456789") != "" {
		return 0, flawf(form, "%s is not a number of days", quoted(s))
	}
	days, err := strconv.Atoi(digits)
	if err != nil || days < 1 || days > maxDays {
		return 0, flawf(form, "%s is not between 1 and %d days", quoted(s), maxDays)
	}
	return time.Duration(days) * 24 * time.Hour, nil
}
