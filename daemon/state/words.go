package state

import (
	"fmt"
	"strconv"
)

// Count says how many of something there are: "1 file", "2 files".
func Count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// Thousands prints a number in groups of three digits.
func Thousands(n int64) string {
	s := fmt.Sprint(n)
	for at := len(s) - 3; at > 0 && s[at-1] != '-'; at -= 3 {
		s = s[:at] + "," + s[at:]
	}
	return s
}

// Size prints bytes in decimal units (IEC 80000-13: GB = 10^9), three digits.
func Size(n int64) string {
	if n < 1000 {
		return strconv.FormatInt(n, 10) + " B"
	}
	v := float64(n)
	for _, unit := range []string{"kB", "MB", "GB", "TB", "PB"} {
		v /= 1000
		switch {
		case v < 9.995:
			return fmt.Sprintf("%.2f %s", v, unit)
		case v < 99.95:
			return fmt.Sprintf("%.1f %s", v, unit)
		case v < 999.5:
			return fmt.Sprintf("%.0f %s", v, unit)
		}
	}
	return fmt.Sprintf("%.0f EB", v/1000)
}
