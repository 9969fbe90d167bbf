package state

import "fmt"

// Count says how many of something there are: "1 file", "2 files".
func Count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// thousands prints a number in groups of three digits.
func thousands(n int64) string {
	s := fmt.Sprint(n)
	for at := len(s) - 3; at > 0 && s[at-1] != '-'; at -= 3 {
		s = s[:at] + "," + s[at:]
	}
	return s
}
