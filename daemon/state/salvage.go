package state

import (
	"fmt"
	"strings"
)

// ByteRange is the bytes of a file from From up to, but not with, To.
type ByteRange struct{ From, To int64 }

// Bytes is its length.
func (r ByteRange) Bytes() int64 { return r.To - r.From }

func (r ByteRange) String() string { return fmt.Sprintf("[%d, %d)", r.From, r.To) }

// Salvage is a file that a card gave in part only, or not in one go. It never
// counts as a copy of the card's file.
type Salvage struct {
	Path string // on the card
	// As is the file, beside where the card's own would stand, that holds what
	// could be read, with zeros where bytes are missing. Empty: there is none.
	As           string
	SizeBytes    int64
	MissingBytes int64 // all of them, whether listed below or not
	// Missing are the ranges that no copy holds, in order. MoreRanges are as
	// missing, and are not listed.
	Missing    []ByteRange
	MoreRanges int
	// MoreFiles is set in the last of a list that is longer than MaxSalvages: it
	// stands for so many files, and has no Path.
	MoreFiles int
}

// The bounds on what is shown of one offload's salvages.
const (
	MaxSalvages      = 100
	MaxSalvageRanges = 1000 // of all files together
)

// BoundSalvages shortens a list to what is shown. The totals stay exact.
func BoundSalvages(all []Salvage) []Salvage {
	shown := make([]Salvage, 0, min(len(all), MaxSalvages+1))
	room := MaxSalvageRanges
	for i, s := range all {
		if len(shown) == MaxSalvages {
			rest := Salvage{MoreFiles: len(all) - i}
			for _, s := range all[i:] {
				rest.SizeBytes += s.SizeBytes
				rest.MissingBytes += s.MissingBytes
				rest.MoreRanges += len(s.Missing) + s.MoreRanges
			}
			return append(shown, rest)
		}
		if n := len(s.Missing); n > room {
			s.Missing, s.MoreRanges = s.Missing[:room:room], s.MoreRanges+n-room
		}
		room -= len(s.Missing)
		shown = append(shown, s)
	}
	return shown
}

// String is a sentence for people.
func (s Salvage) String() string {
	var b strings.Builder
	switch {
	case s.MoreFiles > 0:
		fmt.Fprintf(&b, "and %s more", Count(s.MoreFiles, "file"))
	case s.As == "":
		fmt.Fprintf(&b, "%q is not in the copies", s.Path)
	case s.MissingBytes == 0:
		fmt.Fprintf(&b, "%q was read whole only in several attempts, and stands as %q", s.Path, s.As)
		return b.String()
	default:
		fmt.Fprintf(&b, "%q was read in part, and stands as %q with zeros for what is missing", s.Path, s.As)
	}
	fmt.Fprintf(&b, ": %s of %s bytes missing", Thousands(s.MissingBytes), Thousands(s.SizeBytes))
	for i, r := range s.Missing {
		if i == 0 {
			b.WriteString(", bytes ")
		} else {
			b.WriteString(", ")
		}
		b.WriteString(r.String())
	}
	if s.MoreRanges > 0 {
		fmt.Fprintf(&b, " and %s more", Count(s.MoreRanges, "range"))
	}
	return b.String()
}

// SalvageSummary says in one clause what is missing; empty when nothing was
// salvaged.
func SalvageSummary(all []Salvage) string {
	if len(all) == 0 {
		return ""
	}
	files, missing, which := 0, int64(0), fmt.Sprintf(" (%q", all[0].Path)
	for _, s := range all {
		files += max(1, s.MoreFiles)
		missing += s.MissingBytes
	}
	if files > 1 {
		which += fmt.Sprintf(" and %d more", files-1)
	}
	if which += ")"; missing == 0 {
		return Count(files, "file") + " could be read only in several attempts" + which
	}
	return fmt.Sprintf("%s could not be read whole: %s bytes missing%s", Count(files, "file"), Thousands(missing), which)
}
