package mhl

import (
	"iter"
	"maps"
	"slices"
	"time"
)

// History is what the manifests of a folder say, all that the chain vouches
// for.
type History struct {
	// Dir is the folder, relative to the root that was opened; "." for itself.
	Dir string
	// Generations come in the order of the chain, oldest first. Their paths are
	// relative to Dir.
	Generations []Recorded
	// Orphans are manifests that no chain names, with their path from the root
	// that was opened. Nothing is taken from them.
	Orphans []string
	// Nested has the histories directly below this one; it may be the only thing
	// there is, when the folder has none of its own.
	Nested []*History

	links     []link
	files     *index // by path from Dir
	dirs      map[string]bool
	ignore    *Ignore // that of the newest generation
	folders   bool    // the newest generation records folders
	histories histories
}

// histories has those that were opened together, by Dir.
type histories map[string]*History

// Recorded is a generation as it was read. Its Files and Dirs, with paths from
// the history's Dir, are kept for the newest one only: what older ones say of a
// file is in Latest, and a folder that is proven every week has many of them.
// OpenIndex keeps none.
type Recorded struct {
	Generation
	Number     int
	Path       string // of the manifest, from the root that was opened
	C4         string // of the manifest
	References []Reference
}

// Known is a value that a file should have.
type Known struct {
	Algorithm, Value string // the value in the standard's spelling
	Action           Action // Original or Verified; "" when not recorded
	SizeBytes        int64  // -1: not recorded
	ModTime          time.Time
	HashedAt         time.Time
	Generation       int // the newest that says so
}

func newHistory(dir string) *History {
	return &History{Dir: dir, files: newIndex(), dirs: map[string]bool{}, ignore: &Ignore{}}
}

// add takes in a generation that is newer than all before. Its files were
// staged. An error says that there was too much of something.
func (h *History) add(name string, entry link, m *manifest) error {
	if n := len(h.Generations); n > 0 {
		h.Generations[n-1].Files, h.Generations[n-1].Dirs = nil, nil
	}
	h.Generations = append(h.Generations, Recorded{m.Generation, entry.number, name, entry.c4, m.References})
	err := h.files.commit()
	for _, dir := range m.Dirs {
		h.dirs[dir] = true
		if previous := m.moved[dir]; previous != "" && previous != dir {
			delete(h.dirs, previous)
		}
	}
	h.folders = m.folders
	h.ignore = &Ignore{}
	if ignore, unusable := ParseIgnore(m.Ignore); unusable == nil { // otherwise nothing is left out
		h.ignore = ignore
	}
	return err
}

// connect lets every history find the others.
func connect(all histories) {
	for _, h := range all {
		h.histories = all
	}
}

// owner gives the innermost history that name, from the opened root, lies in,
// and its path there. A nested history's folder itself belongs to the one
// around it.
func (all histories) owner(name string) (*History, string) {
	if len(all) > 1 {
		for dir := parent(name); dir != "."; dir = parent(dir) {
			if nested := all[dir]; nested != nil {
				return nested, name[len(dir)+1:]
			}
		}
	}
	return all["."], name
}

// Latest gives the values that the file at name, from the opened root, should
// have: every algorithm, newest generation first, each value once. Values
// recorded as failed aren't among them. It is empty for a file that no
// generation knows a usable value of.
func (h *History) Latest(name string) []Known {
	owner, local := h.histories.owner(name)
	return owner.files.latest(local)
}

// Files lists, sorted, every file that the histories know, with its path from
// the opened root.
func (h *History) Files() []string {
	return h.names(func(h *History) iter.Seq[string] { return maps.Keys(h.files.newest) })
}

// Dirs lists, sorted, every folder that the histories record, with its path
// from the opened root.
func (h *History) Dirs() []string {
	return h.names(func(h *History) iter.Seq[string] { return maps.Keys(h.dirs) })
}

func (h *History) names(of func(*History) iter.Seq[string]) []string {
	var all []string
	for _, each := range h.histories {
		for name := range of(each) {
			if each.Dir != "." {
				name = each.Dir + "/" + name
			}
			all = append(all, name)
		}
	}
	slices.Sort(all)
	// Twice is what a history recorded before a folder in it got its own.
	return slices.Compact(all)
}

// Covers reports whether name, from the opened root, lies in a folder that has
// a history with at least one generation.
func (h *History) Covers(name string) bool {
	owner, _ := h.histories.owner(name)
	return len(owner.Generations) > 0
}

// Ignored reports whether the newest generation of a history that name, from
// the opened root, lies in leaves name out.
func (h *History) Ignored(name string, isDir bool) bool {
	if h.histories["."].ignore.Match(name, isDir) {
		return true
	}
	for i := range len(name) {
		if name[i] != '/' {
			continue
		}
		if nested := h.histories[name[:i]]; nested != nil && nested.ignore.Match(name[i+1:], isDir) {
			return true
		}
	}
	return false
}
