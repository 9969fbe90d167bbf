// Package oracle judges what a box claims about cards against what is really on
// the drives. It is made of the standard library alone and shares no code with
// the program: it keeps the original bytes of every card, takes the box's claims
// as somebody outside saw them, and looks at the drives as anybody can who has
// nothing but the drives.
//
// It finds:
//   - a release although some file of the card does not stand, whole and listed
//     with its right checksum in a manifest, in finished folders on as many
//     distinct disks as are asked for. Folders of a card that could not be read
//     whole at first count with the files that they hold: another folder may
//     hold the rest;
//   - a finished folder that holds anything but what the card held, or whose
//     manifest, chain and files do not agree;
//   - a card of which a byte, a name, a mode or a time has changed;
//   - something that stood on a drive before and is gone or other than it was.
//
// It cannot know what happened between two looks, nor whether bytes that it
// reads come from a medium or from memory: whoever calls it sees to that. It
// computes MD5, SHA-1 and C4; a manifest with none of these is a violation, so a
// box under this oracle uses one of them. A card that brings histories in its
// subfolders is beyond it.
package oracle

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Suffixes of folders that claim nothing, and the folder that makes a copy.
const (
	unfinished = ".unfinished"
	incomplete = ".incomplete"
	history    = "ascmhl"
	own        = ".bothy" // the box's own things on a drive
	reports    = "reports/"
)

// Claim is what a box said about one card at one moment.
type Claim struct {
	Card     string // key of Judge.Cards
	Released bool
	When     string // for people: which life, which moment
}

// Drive is one drive as it is now.
type Drive struct {
	Name   string // for people
	Disk   string // two drives with the same one count once
	Now    Tree
	Before Tree // what stood on it when the box first saw it: somebody else's
	Later  Tree // what must be there still since a later look; may be nil
}

// Judge is what the oracle knows.
type Judge struct {
	Copies int             // that a release needs
	Cards  map[string]Tree // what each card held, from a look before the box had it
	Drives []Drive
}

// Violations looks at the drives and says, in sentences, which claims are wrong
// and what else is. None is the answer one wants.
func (j Judge) Violations(claims []Claim) []string {
	var wrong []string
	holding := map[string]map[string]map[string]bool{} // card, file, disks
	for card := range j.Cards {
		holding[card] = map[string]map[string]bool{}
	}
	for _, d := range j.Drives {
		wrong = append(wrong, d.lost()...)
		for _, folder := range d.Now.Finished() {
			if _, there := d.Before[folder]; there {
				continue // somebody else's
			}
			c, faults := openCopy(d.Now.below(folder))
			for _, f := range faults {
				wrong = append(wrong, fmt.Sprintf("%s: finished folder %q: %s", d.Name, folder, f))
			}
			card, why := j.whose(c)
			if why != "" {
				wrong = append(wrong, fmt.Sprintf("%s: finished folder %q: %s", d.Name, folder, why))
			}
			if card != "" {
				c.hold(holding[card], d.Disk)
			}
		}
		for _, folder := range d.Now.salvaged() {
			c, _ := openCopy(d.Now.below(folder))
			for card, tree := range j.Cards {
				c.soundOnly(tree).hold(holding[card], d.Disk)
			}
		}
	}
	for _, c := range claims {
		if why := j.unfounded(c, holding[c.Card]); c.Released && why != "" {
			wrong = append(wrong, fmt.Sprintf("%s: %s is released, and %s", c.When, c.Card, why))
		}
	}
	return wrong
}

// whose finds the card that a copy is of.
func (j Judge) whose(c copied) (card, why string) {
	for _, name := range slices.Sorted(maps.Keys(j.Cards)) {
		if why = c.differs(j.Cards[name]); why == "" {
			return name, ""
		}
	}
	return "", why
}

// unfounded says why a release would be wrong, or nothing.
func (j Judge) unfounded(c Claim, holding map[string]map[string]bool) string {
	card, known := j.Cards[c.Card]
	if !known {
		return "nobody knows such a card"
	}
	files := 0
	for _, name := range slices.Sorted(maps.Keys(card)) {
		if !card[name].Mode.IsRegular() {
			continue
		}
		files++
		if n := len(holding[name]); n < j.Copies {
			return fmt.Sprintf("%q stands on %d disks of %d", name, n, j.Copies)
		}
	}
	if files == 0 {
		return "it holds nothing"
	}
	return ""
}

// sameReport: both are reports of the same box, by the marks that DEVELOPERS.md names.
func sameReport(a, b []byte) bool {
	mark := func(data []byte) string {
		lines := strings.SplitN(string(data[:min(len(data), 1024)]), "\n", 3)
		if len(lines) < 3 {
			return ""
		}
		if strings.HasPrefix(lines[1], "<!-- bothy report of box ") {
			return lines[1]
		}
		box, _, _ := strings.Cut(lines[1], ",")
		if strings.HasPrefix(lines[0], "bothy_report_of_box,") {
			return box
		}
		return ""
	}
	return mark(a) != "" && mark(a) == mark(b)
}

// grown: a chain names all the manifests that it named before, and more.
func grown(was, is []byte) bool {
	var before, now chain
	if xml.Unmarshal(was, &before) != nil || xml.Unmarshal(is, &now) != nil || len(now.Lists) < len(before.Lists) {
		return false
	}
	return slices.Equal(now.Lists[:len(before.Lists)], before.Lists)
}

// lost says what stood on the drive before and does so no more.
func (d Drive) lost() (wrong []string) {
	kept := maps.Clone(d.Before)
	if kept == nil {
		kept = Tree{}
	}
	maps.Copy(kept, d.Later)
	for _, name := range slices.Sorted(maps.Keys(kept)) {
		if name == "." || name == own || strings.HasPrefix(name, own+"/") {
			continue
		}
		was := kept[name]
		is, there := d.Now[name]
		switch {
		case !there:
			wrong = append(wrong, fmt.Sprintf("%s: %q is lost", d.Name, name))
		case was.Mode.IsDir() && is.Mode.IsDir():
			// Its time changes with what is put into it.
		case strings.HasPrefix(name, reports) && is.Mode.IsRegular() && sameReport(was.Data, is.Data):
			// The box renews its own.
		case strings.HasSuffix(name, "/"+history+"/"+chainName) && is.Mode == was.Mode && grown(was.Data, is.Data):
			// Whoever proves a copy again adds a manifest to its history.
		case was.Mode != is.Mode || was.Link != is.Link || !bytes.Equal(was.Data, is.Data) || !was.ModTime.Equal(is.ModTime):
			wrong = append(wrong, fmt.Sprintf("%s: %q has changed", d.Name, name))
		}
	}
	return wrong
}
