package offload

import (
	"fmt"
	"slices"
	"strings"

	"bothy/daemon/state"
)

// Place is a drive on which a file stands proven.
type Place struct {
	DriveID string
	// Disks are the kernel's names of the whole disks below the drive, known
	// while it is attached; empty while it is away.
	Disks []string
	// DiskKey is the physical disk's identity over time; empty when the disk
	// has none that can be trusted.
	DiskKey string
}

// Account is everything a verdict rests on.
type Account struct {
	Copies int // proven copies on distinct disks that are wanted
	// Places says of every file of the card that counts where it stands proven.
	// Files that stand in the same places are best given one slice.
	Places [][]Place
	// Faults are sentences, each of which alone holds the card.
	Faults []string
	// Wants are sentences about drives that are to have the card, too, before it
	// is released.
	Wants []string
	// Outlook is why a needed copy is not there, e.g. that its drive failed;
	// it is added to the reason.
	Outlook []string
}

// Judge gives the verdict. It is pure; whoever calls it must have made durable
// what it is told. Without files it holds: a card that shows nothing may be a
// card that cannot show what it holds.
func Judge(a Account) (v state.Verdict, kind state.HoldKind, reason string) {
	if len(a.Faults) > 0 {
		return state.Hold, state.HoldByFault, joinReasons(a.Faults)
	}
	if len(a.Places) == 0 {
		return state.Hold, state.HoldByFault, "the card shows no files, so nothing was copied; look at it in the camera before reusing it"
	}
	if a.Copies < 1 {
		return state.Hold, state.HoldByFault, "no number of copies is set"
	}
	least, short := -1, 0
	memo := map[sameSlice]int{}
	for _, places := range a.Places {
		n := distinct(places, memo)
		if least < 0 || n < least {
			least = n
		}
		if n < a.Copies {
			short++
		}
	}
	if short == 0 && len(a.Wants) > 0 {
		return state.Hold, state.NeedsDrive, joinReasons(a.Wants)
	}
	if short == 0 {
		return state.Release, state.NoHold, fmt.Sprintf("%s, each proven on %s", state.Count(len(a.Places), "file"), state.Count(least, "drive"))
	}
	reason = "needs " + state.Count(a.Copies-least, "more drive")
	if short < len(a.Places) {
		reason += fmt.Sprintf(" for %d of %s", short, state.Count(len(a.Places), "file"))
	}
	if on := sharedDisk(a); on != "" {
		reason += "; " + on
	}
	if len(a.Outlook) > 0 {
		reason += ": " + joinReasons(a.Outlook)
	}
	return state.Hold, state.NeedsDrive, reason
}

func joinReasons(list []string) string {
	const show = 3
	if len(list) > show {
		list = append(list[:show:show], fmt.Sprintf("and %d more", len(list)-show))
	}
	return strings.Join(list, "; ")
}

// sharedDisk explains a count that looks too low: copies that lie on one disk.
func sharedDisk(a Account) string {
	for _, places := range a.Places {
		if n := Distinct(places); n < a.Copies && n < len(places) {
			if n == 0 {
				return "the copies lie on no disk that can be told from others"
			}
			return fmt.Sprintf("%d proven copies lie on %s; copies on one disk count once", len(places), state.Count(n, "disk"))
		}
	}
	return ""
}

// Distinct counts the physical disks below a set of places: the size of a set
// in which no two can be one disk. Two places are one disk when they share a
// whole disk while both are attached, or when their identities over time are
// equal or missing. In doubt they are one.
func Distinct(places []Place) int {
	var told []Place
	take := func(wanted func(Place) bool) {
		for _, p := range places {
			if wanted(p) && !slices.ContainsFunc(told, func(q Place) bool { return sameDisk(p, q) }) {
				told = append(told, p)
			}
		}
	}
	take(func(p Place) bool { return len(p.Disks) > 0 })
	take(func(p Place) bool { return len(p.Disks) == 0 && p.DiskKey != "" })
	return len(told)
}

func sameDisk(a, b Place) bool {
	if a.DriveID != "" && a.DriveID == b.DriveID {
		return true
	}
	if len(a.Disks) > 0 && len(b.Disks) > 0 {
		for _, x := range a.Disks {
			for _, y := range b.Disks {
				if x == y {
					return true
				}
			}
		}
		return false
	}
	return a.DiskKey == b.DiskKey || a.DiskKey == "" || b.DiskKey == ""
}

// sameSlice names one slice: two with one first element and one length are one.
type sameSlice struct {
	first *Place
	n     int
}

// distinct remembers results, since most files share their places.
func distinct(places []Place, memo map[sameSlice]int) int {
	if len(places) == 0 {
		return 0
	}
	key := sameSlice{&places[0], len(places)}
	n, ok := memo[key]
	if !ok {
		n = Distinct(places)
		memo[key] = n
	}
	return n
}
