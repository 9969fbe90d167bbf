package mhl

import (
	"maps"
	"path"
	"slices"
	"strings"
	"time"

	"bothy/daemon/checksum"
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
	files     map[string][]Known // by path from Dir; oldest first
	dirs      map[string]bool
	ignore    *Ignore             // that of the newest generation
	folders   bool                // the newest generation records folders
	histories map[string]*History // by Dir, of all that were opened together
}

// Recorded is a generation as it was read. Its Files and Dirs, with paths from
// the history's Dir, are kept for the newest one only: what older ones say of a
// file is in Latest, and a folder that is proven every week has many of them.
type Recorded struct {
	Generation
	Number     int
	Path       string // of the manifest, from the root that was opened
	C4         string // of the manifest
	References []Reference
}

// Known is a value that a file should have.
type Known struct {
	Algorithm, Value string
	Action           Action // Original or Verified; "" when not recorded
	SizeBytes        int64  // -1: not recorded
	ModTime          time.Time
	HashedAt         time.Time
	Generation       int // the newest that says so
}

func newHistory(dir string) *History {
	return &History{Dir: dir, files: map[string][]Known{}, dirs: map[string]bool{}, ignore: &Ignore{}}
}

// add takes in a generation that is newer than all before.
func (h *History) add(name string, entry link, m *manifest) {
	if n := len(h.Generations); n > 0 {
		h.Generations[n-1].Files, h.Generations[n-1].Dirs = nil, nil
	}
	h.Generations = append(h.Generations, Recorded{m.Generation, entry.number, name, entry.c4, m.References})
	for _, f := range m.Files {
		h.addFile(entry.number, f)
	}
	for _, dir := range m.Dirs {
		h.dirs[dir] = true
		if previous := m.moved[dir]; previous != "" && previous != dir {
			delete(h.dirs, previous)
		}
	}
	h.folders = m.folders
	ignore, err := ParseIgnore(m.Ignore)
	if err != nil { // can't be used: then nothing is left out
		ignore = &Ignore{}
	}
	h.ignore = ignore
}

// addFile puts the values of a newer generation behind the older ones. A file
// that failed keeps those it had: they say what it should be.
func (h *History) addFile(number int, f FileHash) {
	known := h.files[f.Path]
	if f.PreviousPath != "" && f.PreviousPath != f.Path {
		known = append(slices.Clip(known), h.files[f.PreviousPath]...)
		delete(h.files, f.PreviousPath)
	}
	if f.Action != Failed {
		values := f.values()
		for _, algorithm := range slices.Backward(slices.Sorted(maps.Keys(values))) {
			newer := Known{algorithm, values[algorithm], f.Action, f.SizeBytes, f.ModTime, f.HashedAt, number}
			known = append(slices.DeleteFunc(known, func(k Known) bool { // said again: kept once
				return k.Algorithm == algorithm && checksum.Equal(algorithm, k.Value, newer.Value)
			}), newer)
		}
	}
	h.files[f.Path] = known
}

// connect lets every history find the others.
func connect(histories map[string]*History) {
	for _, h := range histories {
		h.histories = histories
	}
}

// owner gives the innermost history that name, from the opened root, lies in,
// and its path there. A nested history's folder itself belongs to the one
// around it.
func (h *History) owner(name string) (*History, string) {
	for dir := path.Dir(name); dir != "."; dir = path.Dir(dir) {
		if nested := h.histories[dir]; nested != nil {
			return nested, strings.TrimPrefix(name, dir+"/")
		}
	}
	return h.histories["."], name
}

// Latest gives the values that the file at name, from the opened root, should
// have: every algorithm, newest generation first, each value once. Values
// recorded as failed aren't among them. It is empty for a file that no
// generation knows a usable value of.
func (h *History) Latest(name string) []Known {
	owner, local := h.owner(name)
	known := slices.Clone(owner.files[local])
	slices.Reverse(known)
	return known
}

// Files lists, sorted, every file that the histories know, with its path from
// the opened root.
func (h *History) Files() []string {
	return h.names(func(h *History) []string { return keys(h.files) })
}

// Dirs lists, sorted, every folder that the histories record, with its path
// from the opened root.
func (h *History) Dirs() []string { return h.names(func(h *History) []string { return keys(h.dirs) }) }

func (h *History) names(of func(*History) []string) []string {
	var all []string
	for _, each := range h.histories {
		for _, name := range of(each) {
			all = append(all, path.Join(each.Dir, name))
		}
	}
	slices.Sort(all)
	return all
}

// Covers reports whether name, from the opened root, lies in a folder that has
// a history with at least one generation.
func (h *History) Covers(name string) bool {
	owner, _ := h.owner(name)
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

func keys[V any](m map[string]V) []string { return slices.Collect(maps.Keys(m)) }
