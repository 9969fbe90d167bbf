package mhl

import (
	"bytes"
	"fmt"
	"slices"
	"sort"
	"strings"

	"bothy/daemon/checksum"
)

// folderTable has every folder of a generation in the order of comparePaths,
// the root first, and its two hashes in each algorithm: content changes with
// what lies in it, structure also with the names.
type folderTable struct {
	paths []string
	// set has the algorithms in which every file has a value, which are those
	// that folders are hashed in; xxh128 when there is no file at all.
	set algorithmSet
	// digests has for each folder the content and the structure digest in each
	// algorithm of first, of which set is a part.
	digests []byte
	first   algorithmSet
	stride  int
}

// index finds a folder.
func (t *folderTable) index(dir string) (int, bool) {
	if dir == "." {
		return 0, true
	}
	i, ok := slices.BinarySearchFunc(t.paths[1:], dir, comparePaths)
	return i + 1, ok
}

// slot gives the place of a folder's digest in algorithm i: content is 0,
// structure 1.
func (t *folderTable) slot(folder, i, which int) []byte {
	at := folder * t.stride
	for before := range (t.first & (1<<i - 1)).all() {
		at += 2 * checksum.DigestBytes(algorithms[before])
	}
	size := checksum.DigestBytes(algorithms[i])
	return t.digests[at+which*size:][:size]
}

// folderHasher fills a folderTable while files come by in order. It holds the
// hashes of what lies directly in the folders from the root to the current one,
// and for the others only their own.
type folderHasher struct {
	folderTable
	dirs []string     // named folders that are still to come, in order
	open []openFolder // from the root to the current one
	// members has the digests, content and structure, of what lies in the open
	// folders: those of a folder behind those of the one around it, which gets
	// no more before the inner one is closed.
	members [len(algorithms)][2][]byte
	last    string // the file before
	started bool
	scratch []byte
}

// openFolder is one that may still get members.
type openFolder struct {
	index int
	start [len(algorithms)]int // where its members begin
}

// newFolderHasher takes dirs, sorted by comparePaths, that may lack parents of
// each other and of files.
func newFolderHasher(dirs []string) *folderHasher {
	h := &folderHasher{dirs: dirs}
	h.paths = append(h.paths, ".")
	h.open = append(h.open, openFolder{})
	return h
}

// start settles the algorithms: those of the first file.
func (h *folderHasher) start(set algorithmSet) {
	h.started = true
	h.first, h.set = set, set
	for i := range set.all() {
		h.stride += 2 * checksum.DigestBytes(algorithms[i])
	}
	h.digests = make([]byte, h.stride)
}

// file takes the next file.
func (h *folderHasher) file(r record) error {
	if !h.started {
		h.start(r.set)
	}
	h.set &= r.set
	for len(h.dirs) > 0 && comparePaths(h.dirs[0], r.Path) <= 0 {
		if h.dirs[0] == r.Path {
			return alsoFolder(r.Path)
		}
		if err := h.dir(); err != nil {
			return err
		}
	}
	if err := h.enter(parent(r.Path)); err != nil {
		return err
	}
	h.last = r.Path
	for i := range h.set.all() {
		digest, err := checksum.AppendDigest(h.scratch[:0], algorithms[i], r.sums[i])
		if err != nil {
			return fmt.Errorf("hash folder of %s: %w", r.Path, err)
		}
		h.scratch = digest
		if err := h.member(r.Path, i, digest, digest); err != nil {
			return err
		}
	}
	return nil
}

func alsoFolder(path string) error {
	return fmt.Errorf("file %.200q: it is also listed as a folder", path)
}

// dir enters the next named folder.
func (h *folderHasher) dir() error {
	dir := h.dirs[0]
	h.dirs = h.dirs[1:]
	return h.enter(dir)
}

// finish takes the remaining folders and closes all.
func (h *folderHasher) finish() (*folderTable, error) {
	if !h.started {
		h.start(1 << place(checksum.XXH128))
	}
	for len(h.dirs) > 0 {
		if err := h.dir(); err != nil {
			return nil, err
		}
	}
	for len(h.open) > 0 {
		if err := h.leave(); err != nil {
			return nil, err
		}
	}
	h.paths = slices.Clip(h.paths)
	return &h.folderTable, nil
}

// enter makes dir the current folder: closes those that it isn't in and opens
// those that lead to it.
func (h *folderHasher) enter(dir string) error {
	top := func() string { return h.paths[h.open[len(h.open)-1].index] }
	for dir != top() && !within(dir, top()) {
		if err := h.leave(); err != nil {
			return err
		}
	}
	for dir != top() {
		start := 0
		if top() != "." {
			start = len(top()) + 1
		}
		next := dir
		if i := strings.IndexByte(dir[start:], '/'); i >= 0 {
			next = dir[:start+i]
		}
		if next == h.last {
			return alsoFolder(next)
		}
		h.paths = append(h.paths, next)
		h.digests = append(h.digests, make([]byte, h.stride)...)
		inner := openFolder{index: len(h.paths) - 1}
		for i := range inner.start {
			inner.start[i] = len(h.members[i][0])
		}
		h.open = append(h.open, inner)
	}
	return nil
}

// leave closes the current folder and hands its hashes to the one around it.
func (h *folderHasher) leave() error {
	f := h.open[len(h.open)-1]
	dir := h.paths[f.index]
	h.open = h.open[:len(h.open)-1]
	for i := range h.set.all() {
		for which, data := range h.members[i] {
			h.members[i][which] = data[:f.start[i]]
			list := &digestList{data[f.start[i]:], checksum.DigestBytes(algorithms[i])}
			sort.Sort(list)
			digest, err := checksum.AppendSum(h.scratch[:0], algorithms[i], list.data)
			if err != nil {
				return fmt.Errorf("hash folder %s: %w", dir, err)
			}
			h.scratch = digest
			copy(h.slot(f.index, i, which), digest)
		}
		if len(h.open) > 0 {
			if err := h.member(dir, i, h.slot(f.index, i, 0), h.slot(f.index, i, 1)); err != nil {
				return err
			}
		}
	}
	return nil
}

// member adds a file or folder to the folder that is current: its content as it
// is, its structure bound to its name, by hashing the name's bytes followed by
// the digest.
func (h *folderHasher) member(path string, i int, content, structure []byte) error {
	lists := &h.members[i]
	lists[0] = append(lists[0], content...)
	var buf [256 + 64]byte // a name and a digest, mostly
	named := append(buf[:0], path[strings.LastIndexByte(path, '/')+1:]...)
	named = append(named, structure...)
	var err error
	lists[1], err = checksum.AppendSum(lists[1], algorithms[i], named)
	if err != nil {
		return fmt.Errorf("hash folder of %s: %w", path, err)
	}
	return nil
}

// digestList sorts digests that lie one behind the other. Their order is that
// of their spelling, which the standard asks for: digits of the same number
// that come in ascending order in base 16 and 58.
type digestList struct {
	data []byte
	size int
}

func (l *digestList) at(i int) []byte    { return l.data[i*l.size:][:l.size] }
func (l *digestList) Len() int           { return len(l.data) / l.size }
func (l *digestList) Less(i, j int) bool { return bytes.Compare(l.at(i), l.at(j)) < 0 }
func (l *digestList) Swap(i, j int) {
	var t [64]byte // the longest
	n := copy(t[:], l.at(i))
	copy(l.at(i), l.at(j))
	copy(l.at(j), t[:n])
}

// depth orders the root before its folders.
func depth(dir string) int {
	if dir == "." {
		return 0
	}
	return 1 + strings.Count(dir, "/")
}
