package policy

import (
	"io/fs"
	"strconv"
	"strings"
	"unicode"
)

// Facts are what is known about one medium. Every text in it may be hostile.
type Facts struct {
	Label     string
	UUID      string
	Serial    string
	Vendor    string
	Model     string
	Slot      string // udev's ID_PATH
	FS        string // udev's ID_FS_TYPE
	Bus       string
	SizeBytes int64 // 0: the slot is empty
	Removable bool
	// ReadOnly is mentioned to the operator and decides nothing: a card is set
	// read-only by the box itself, and a drive that is cannot be told from one
	// that was just used as a card.
	ReadOnly   bool
	Properties map[string]string // udev's, all of them
	// Path is set for a folder that is mounted already; such a medium has no
	// other facts, and only drive rules with that path take it.
	Path string
	// RunningSystem says that the disk holds the running system or anything
	// that the system has mounted itself; such a medium is nothing to us. For
	// a folder it is the caller who knows whether that disk may be used.
	RunningSystem bool
	// Tree is what the medium holds; nil while it has not been mounted. It is
	// only read, one folder at a time, and never through links.
	Tree          fs.FS
	HasFileSystem bool
	HasPartitions bool // a whole disk that is divided
}

// exclusion is why no rule is asked about the medium at all, or "".
func (f *Facts) exclusion() string {
	switch {
	case f.RunningSystem:
		return "left alone whatever the rules say: it belongs to the running system"
	case f.Path != "":
		return ""
	case f.HasPartitions:
		return "left alone as a whole disk: its partitions are looked at one by one"
	case f.SizeBytes <= 0:
		return "left alone: the slot is empty"
	}
	return ""
}

// noun is what the medium is called in sentences.
func (f *Facts) noun() string {
	switch {
	case f.Path != "":
		return "the folder " + quoted(f.Path)
	case f.Label != "":
		return "the medium labelled " + quoted(f.Label)
	case f.Removable:
		return "this removable medium without a label"
	}
	return "this medium without a label"
}

// quoted is text for a sentence: in quotes, bounded, on one line, with
// everything escaped that does not print.
func quoted(text string) string {
	const most = 80
	cut := text[:min(len(text), 4*most)] // no character takes more than 4 bytes
	runes := []rune(cut)
	if len(cut) == len(text) && len(runes) <= most {
		return strconv.Quote(text)
	}
	return strconv.Quote(strings.ToValidUTF8(string(runes[:min(len(runes), most)]), "_")) + "..."
}

// legible spells out what does not print, so that a text stays one line and shows
// itself as it is; quotes in it are left alone.
func legible(text string) string {
	var b strings.Builder
	for _, r := range text {
		if unicode.IsPrint(r) {
			b.WriteRune(r)
		} else {
			b.WriteString(strings.Trim(strconv.QuoteRune(r), "'"))
		}
	}
	return b.String()
}
