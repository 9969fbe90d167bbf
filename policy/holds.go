package policy

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"
)

// Bounds on looking through a card, which may be hostile or damaged.
const (
	maxHoldsDepth   = 6       // elements of one path in `holds`
	maxPathEntries  = 20_000  // directory entries seen for one path
	maxTotalEntries = 200_000 // for all rules of one decision
	listBatch       = 256     // entries asked for at a time
)

// look is one decision's looking at one card.
type look struct {
	tree fs.FS
	seen int // entries so far
}

// search is looking for one path of globs.
type search struct {
	*look
	globs []string
	left  int    // entries that may still be seen
	doubt string // why "not found" is not certain, if so
}

// holds reports whether the card has a file or folder on a path that matches
// the globs of pattern. When it was not found, doubt says why it might be there
// all the same, or is empty.
func (l *look) holds(pattern string) (found bool, doubt string) {
	s := &search{look: l, globs: strings.Split(pattern, "/"), left: min(maxPathEntries, maxTotalEntries-l.seen)}
	before := s.left
	found = s.in(".", s.globs)
	l.seen += before - s.left
	if found {
		return true, ""
	}
	return false, s.doubt
}

// in searches the folder dir for globs. Its recursion is as deep as globs is long.
func (s *search) in(dir string, globs []string) bool {
	if len(globs) == 0 || len(globs) > maxHoldsDepth {
		return false
	}
	file, err := s.tree.Open(dir)
	if err != nil {
		s.unsure(err)
		return false
	}
	defer file.Close() //nolint:errcheck // only read
	folder, ok := file.(fs.ReadDirFile)
	if !ok {
		s.unsure(errors.New("not a folder"))
		return false
	}
	for s.left > 0 {
		entries, err := folder.ReadDir(min(listBatch, s.left))
		for _, entry := range entries[:min(len(entries), s.left)] {
			s.left--
			if s.entry(dir, entry, globs) {
				return true
			}
		}
		switch {
		case errors.Is(err, io.EOF), err == nil && len(entries) == 0:
			return false
		case err != nil:
			s.unsure(err)
			return false
		}
	}
	if s.doubt == "" {
		s.doubt = fmt.Sprintf("the card holds more than the %d entries that are looked at", maxPathEntries)
	}
	return false
}

// entry reports whether entry matches the first of globs and, if there are
// more, whether they are found in it. Links and devices match nothing.
func (s *search) entry(dir string, entry fs.DirEntry, globs []string) bool {
	if entry == nil || entry.Type()&^fs.ModeDir != 0 {
		return false
	}
	name := entry.Name()
	if !fs.ValidPath(name) || name == "." || strings.Contains(name, "/") || !globMatches(globs[0], name, true) {
		return false
	}
	if len(globs) == 1 {
		return true
	}
	return entry.IsDir() && s.in(path.Join(dir, name), globs[1:])
}

func (s *search) unsure(err error) {
	if s.doubt == "" {
		s.doubt = "the card could not be listed: " + quoted(err.Error())
	}
}
