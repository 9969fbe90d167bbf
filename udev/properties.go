package udev

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Bounds of everything that is parsed. A database entry of a real disk has
// some 40 properties and 3 KB; udev itself sends no event above 8 KB.
const (
	maxNameBytes       = 128
	maxKeyBytes        = 128
	maxLineBytes       = 16 << 10
	maxPropertiesBytes = 256 << 10
	maxProperties      = 2048
)

var errTooManyProperties = fmt.Errorf("more than %d properties", maxProperties)

// ParseProperties reads the output of `udevadm info -q property`: one
// KEY=VALUE a line. Empty lines are skipped, a later line replaces an earlier
// one of the same key, values are kept as they are.
//
// It reads at most 256 KiB; lines over 16 KiB, more than 2048 properties and
// lines of any other form are errors that name the line.
func ParseProperties(r io.Reader) (map[string]string, error) {
	props := make(map[string]string)
	limited := &io.LimitedReader{R: r, N: maxPropertiesBytes + 1}
	lines := bufio.NewScanner(limited)
	lines.Buffer(nil, maxLineBytes)
	number := 0
	for lines.Scan() {
		number++
		line := strings.TrimSuffix(lines.Text(), "\r")
		if line == "" {
			continue
		}
		key, value, ok := strings.Cut(line, "=")
		if !ok || !validKey(key) {
			return nil, fmt.Errorf("parse properties: line %d: no KEY=VALUE (wanted: the output of udevadm info -q property)", number)
		}
		if props[key] = value; len(props) > maxProperties {
			return nil, fmt.Errorf("parse properties: line %d: %w", number, errTooManyProperties)
		}
	}
	if err := lines.Err(); err != nil {
		if errors.Is(err, bufio.ErrTooLong) {
			err = fmt.Errorf("longer than %d bytes", maxLineBytes)
		}
		return nil, fmt.Errorf("parse properties: line %d: %w", number+1, err)
	}
	if limited.N <= 0 {
		return nil, fmt.Errorf("parse properties: more than %d bytes", maxPropertiesBytes)
	}
	return props, nil
}

// validKey accepts printable ASCII without space or '='.
func validKey(key string) bool {
	if key == "" || len(key) > maxKeyBytes {
		return false
	}
	for i := range len(key) {
		if key[i] <= ' ' || key[i] >= 0x7f {
			return false
		}
	}
	return true
}

// entry is one file of udev's database.
type entry struct {
	props map[string]string // E:KEY=VALUE
	links []string          // S:PATH, below /dev
	tags  []string          // G:TAG, ever given
	now   []string          // Q:TAG, given by the newest event
	usec  string            // I:MICROSECONDS, when udev first finished with the device
}

// parseEntry reads an entry of udev's database. The format is private to udev
// but has kept its E, S, G and I lines for over a decade; whatever is unknown,
// malformed or beyond the bounds is left out, since a device must not
// disappear over one odd line.
func parseEntry(data string) entry {
	e := entry{props: make(map[string]string)}
	for line := range strings.SplitSeq(data, "\n") {
		kind, rest, ok := strings.Cut(line, ":")
		if !ok || rest == "" || len(line) > maxLineBytes {
			continue
		}
		switch kind {
		case "E":
			e.set(strings.Cut(rest, "="))
		case "S":
			e.links = appendBounded(e.links, rest)
		case "G":
			e.tags = appendBounded(e.tags, rest)
		case "Q":
			e.now = appendBounded(e.now, rest)
		case "I":
			e.usec = rest
		}
	}
	return e
}

// set takes one property; an empty value unsets it, as udevadm has it.
func (e entry) set(key, value string, ok bool) {
	if !ok || !validKey(key) {
		return
	}
	if value == "" {
		delete(e.props, key)
		return
	}
	if _, known := e.props[key]; known || len(e.props) < maxProperties {
		e.props[key] = value
	}
}

func appendBounded(list []string, s string) []string {
	if len(list) >= maxProperties {
		return list
	}
	return append(list, s)
}

// addTo adds to props what udevadm shows for the entry: its properties, links
// and tags, the latter two sorted.
func (e entry) addTo(props map[string]string) {
	for key, value := range e.props {
		props[key] = value
	}
	if e.usec != "" {
		props["USEC_INITIALIZED"] = e.usec
	}
	if len(e.links) > 0 {
		slices.Sort(e.links)
		props["DEVLINKS"] = "/dev/" + strings.Join(e.links, " /dev/")
	}
	if len(e.tags) > 0 {
		slices.Sort(e.tags)
		props["TAGS"] = ":" + strings.Join(e.tags, ":") + ":"
	}
	if len(e.now) > 0 {
		slices.Sort(e.now)
		props["CURRENT_TAGS"] = ":" + strings.Join(e.now, ":") + ":"
	}
}

// belongsTo reports whether the entry can be that of the insertion seq. udev
// links every whole disk as disk/by-diskseq/SEQ (60-persistent-storage.rules of
// systemd 252), so an entry with only other numbers there was written for an
// earlier medium. Without such a link nothing speaks against it.
func (e entry) belongsTo(seq uint64) bool {
	other := false
	for _, link := range e.links {
		number, ok := strings.CutPrefix(link, "disk/by-diskseq/")
		if !ok {
			continue
		}
		number, _, _ = strings.Cut(number, "-part")
		if parseNumber(number, 64) == seq {
			return true
		}
		other = true
	}
	return seq == 0 || !other
}
