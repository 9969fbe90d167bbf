package stories

import (
	"fmt"
	"slices"
	"strings"
)

// sectorBytes is the unit in which media lose things, and the device mapper counts.
const sectorBytes = 512

// tableWith is a device-mapper table (kernel documentation, admin-guide/
// device-mapper) that passes a device on, but for some sectors, each range of
// which gets a line of its own.
func tableWith(sectors int64, device string, ranges [][2]int64, line func(from, n int64) string) string {
	slices.SortFunc(ranges, func(a, b [2]int64) int { return int(a[0] - b[0]) })
	var table strings.Builder
	at := int64(0)
	pass := func(to int64) {
		if to > at {
			fmt.Fprintf(&table, "%d %d linear %s %d\n", at, to-at, device, at)
		}
	}
	for _, r := range ranges {
		pass(r[0])
		table.WriteString(line(r[0], r[1]-r[0]) + "\n")
		at = r[1]
	}
	pass(sectors)
	return table.String()
}
