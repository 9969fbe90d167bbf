package udev

import (
	"maps"
	"reflect"
	"slices"
)

// Change is the difference between two lists of devices, each list sorted by
// Name and nil when empty.
type Change struct {
	// Added are devices that are new or hold another medium than before.
	Added []Device
	// Changed are devices, as they are now, of which something else
	// differs, such as a label that udev had not read before.
	Changed []Device
	// Removed are devices, as they were, that are gone or whose medium is.
	Removed []Device
}

// Empty reports whether nothing differs.
func (c Change) Empty() bool { return len(c.Added)+len(c.Changed)+len(c.Removed) == 0 }

// Diff returns what happened between before and after. Devices are matched by Name;
// one with another DiskSeq, size, device number or DiskKey under the same name
// is another insertion and stands in both Removed and Added. So a card that
// was pulled from a reader that stays is Removed, and the empty slot (size 0) is
// Added.
//
// Names must be unique within each list; of several, the last counts.
func Diff(before, after []Device) Change {
	was, is := byName(before), byName(after)
	var c Change
	for _, name := range slices.Sorted(maps.Keys(was)) {
		if now, ok := is[name]; !ok || !sameInsertion(was[name], now) {
			c.Removed = append(c.Removed, was[name])
		}
	}
	for _, name := range slices.Sorted(maps.Keys(is)) {
		then, ok := was[name]
		switch now := is[name]; {
		case !ok || !sameInsertion(then, now):
			c.Added = append(c.Added, now)
		case !reflect.DeepEqual(then, now):
			c.Changed = append(c.Changed, now)
		}
	}
	return c
}

func byName(devices []Device) map[string]Device {
	m := make(map[string]Device, len(devices))
	for _, d := range devices {
		m[d.Name] = d
	}
	return m
}

// sameInsertion reports whether a and b, of one name, are the same medium in the
// same place. A DiskKey that was not known before is no other disk.
func sameInsertion(a, b Device) bool {
	return a.DiskSeq == b.DiskSeq && a.SizeBytes == b.SizeBytes &&
		a.Major == b.Major && a.Minor == b.Minor &&
		(a.DiskKey == b.DiskKey || a.DiskKey == "" || b.DiskKey == "")
}
