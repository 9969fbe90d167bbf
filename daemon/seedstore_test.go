package daemon

import (
	"bytes"
	"errors"
	"fmt"
	"hash/fnv"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
)

// store is an invented file system that knows at any moment what a power cut
// would leave of it. Files and names that were flushed stay; of the rest, a
// seed says what is kept, lost, or torn.
//
// What the engine writes is kept in memory. The box's own folder and manifests
// are written through an os.Root; these lie in a real folder, which is looked
// into when something is flushed. Flushes through the Root are not seen, so they
// do not count.
type store struct {
	mu     sync.Mutex
	dir    string // the folder of the Root; empty until somebody needs it
	root   *node
	used   int64 // bytes of files
	liar   bool  // says that it has flushed, and mostly has not
	flushs int   // of everything
}

// node is a file or folder: one inode.
type node struct {
	live, durable map[string]*node // a folder's entries; nil for a file
	data          []byte           // a file's; it only grows
	flushed       []byte           // what of it is durable
	isFlushed     bool             // as its length is
	believed      int              // bytes of which a medium said that they are durable
	forgotten     bool             // a flush failed, and the kernel took the rest for clean
	foreign       bool             // it stood there before the box came
	info          fs.FileInfo      // of the real file as it was read last
}

func newFolder() *node { return &node{live: map[string]*node{}, durable: map[string]*node{}} }

func (n *node) isDir() bool { return n.live != nil }

// whole: a power cut would leave the file as it is.
func (n *node) whole() bool { return n.isFlushed && len(n.flushed) == len(n.data) }

func newStore() *store { return &store{root: newFolder()} }

// pick is a number that depends on the seed and on what it is about, and on
// nothing else: goroutines may ask in any order.
func pick(seed uint64, about ...any) uint64 {
	h := fnv.New64a()
	fmt.Fprint(h, about...)
	x := seed*0x9e3779b97f4a7c15 + h.Sum64()
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	return x ^ x>>31
}

func missing(name string) error {
	return &fs.PathError{Op: "look for", Path: name, Err: fs.ErrNotExist}
}

// find gives the live node of a name, and its folder.
func (s *store) find(name string) (parent, n *node, err error) {
	if name == "." || name == "" {
		return nil, s.root, nil
	}
	parent = s.root
	elements := strings.Split(name, "/")
	for i, e := range elements {
		n = parent.live[e]
		if i == len(elements)-1 {
			break
		}
		if n == nil {
			return nil, nil, missing(name)
		}
		if !n.isDir() {
			return nil, nil, &fs.PathError{Op: "look for", Path: name, Err: syscall.ENOTDIR}
		}
		parent = n
	}
	if n == nil {
		return parent, nil, missing(name)
	}
	return parent, n, nil
}

// rooted: the name lies where files are written through the Root.
func rooted(name string) bool {
	elements := strings.Split(name, "/")
	return elements[0] == ownFolder || elements[0] == reportsFolder || slices.Contains(elements, "ascmhl")
}

func (s *store) put(parent *node, name string, n *node) error {
	e := path.Base(name)
	if parent.live[e] != nil {
		return &fs.PathError{Op: "make", Path: name, Err: fs.ErrExist}
	}
	parent.live[e] = n
	return nil
}

func (s *store) mkdir(name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	parent, n, err := s.find(name)
	if n == nil && parent == nil {
		return err
	}
	if err := s.put(parent, name, newFolder()); err != nil {
		return err
	}
	return os.Mkdir(filepath.Join(s.dir, name), 0o755)
}

func (s *store) create(name string) (*node, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	parent, n, err := s.find(name)
	if n == nil && parent == nil {
		return nil, err
	}
	n = &node{}
	return n, s.put(parent, name, n)
}

func (s *store) write(n *node, p []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n.data = append(n.data, p...)
	s.used += int64(len(p))
}

// writeAt does not change bytes that others may just be reading.
func (s *store) writeAt(n *node, p []byte, off int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	data := make([]byte, max(int64(len(n.data)), off+int64(len(p))))
	copy(data, n.data)
	copy(data[off:], p)
	s.used += int64(len(data) - len(n.data))
	n.data = data
}

func (s *store) truncate(n *node, size int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	data := make([]byte, size)
	copy(data, n.data)
	s.used += int64(len(data) - len(n.data))
	n.data = data
}

func (s *store) remove(name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	parent, n, err := s.find(name)
	if err != nil {
		return err
	}
	if n.isDir() && len(n.live) > 0 {
		return &fs.PathError{Op: "remove", Path: name, Err: syscall.ENOTEMPTY}
	}
	if n.isDir() || rooted(name) {
		if err := os.Remove(filepath.Join(s.dir, name)); err != nil {
			return err
		}
	}
	delete(parent.live, path.Base(name))
	s.used -= int64(len(n.data))
	return nil
}

func (s *store) rename(from, to string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	old, n, err := s.find(from)
	if err != nil {
		return err
	}
	parent, there, err := s.find(to)
	if there != nil {
		return &fs.PathError{Op: "rename", Path: to, Err: fs.ErrExist}
	}
	if parent == nil {
		return err
	}
	s.refresh(n, from)
	if n.isDir() || rooted(from) {
		if err := os.Rename(filepath.Join(s.dir, from), filepath.Join(s.dir, to)); err != nil {
			return err
		}
	}
	delete(old.live, path.Base(from))
	parent.live[path.Base(to)] = n
	return nil
}

// refresh takes over what was written through the Root below a folder that the
// box still works on.
func (s *store) refresh(n *node, name string) {
	if s.dir == "" || !n.isDir() {
		return
	}
	if rooted(name) {
		s.takeOver(n, name)
		return
	}
	if n.live["ascmhl"] == nil {
		if info, err := os.Lstat(filepath.Join(s.dir, name, "ascmhl")); err == nil && info.IsDir() {
			n.live["ascmhl"] = newFolder()
		}
	}
	for e, child := range n.live {
		if child.isDir() {
			s.refresh(child, path.Join(name, e))
		}
	}
}

// takeOver makes a folder's entries what the real one holds. A file that was
// renamed is known by its content.
func (s *store) takeOver(n *node, name string) {
	entries, err := os.ReadDir(filepath.Join(s.dir, name))
	if err != nil {
		return // it was never made, or is gone: nothing to take over
	}
	before := n.live
	n.live = map[string]*node{}
	for _, e := range entries {
		if e.IsDir() {
			if n.live[e.Name()] = before[e.Name()]; n.live[e.Name()] == nil {
				n.live[e.Name()] = newFolder()
			}
			s.takeOver(n.live[e.Name()], path.Join(name, e.Name()))
			continue
		}
		info, err := e.Info()
		if err != nil {
			continue // renamed just now; the next look finds it
		}
		if old := before[e.Name()]; old.read(info) {
			n.live[e.Name()] = old
			continue
		}
		data, err := os.ReadFile(filepath.Join(s.dir, name, e.Name()))
		if err != nil {
			continue
		}
		n.live[e.Name()] = known(before, e.Name(), data)
		n.live[e.Name()].info = info
	}
}

// read: the node is what was read of this very file, which has not changed since.
// Through a Root files are only made, written to their end, and renamed.
func (n *node) read(info fs.FileInfo) bool {
	return n != nil && n.info != nil && os.SameFile(n.info, info) && n.info.Size() == info.Size() && n.info.ModTime().Equal(info.ModTime())
}

func known(before map[string]*node, name string, data []byte) *node {
	if old := before[name]; old != nil && bytes.Equal(old.data, data) {
		return old
	}
	for _, old := range before {
		if !old.isDir() && len(data) > 0 && bytes.Equal(old.data, data) {
			return old
		}
	}
	return &node{data: data}
}

// eachOpen calls do for the folders that may be worked on.
func (s *store) eachOpen(do func(n *node, name string)) {
	for _, name := range []string{ownFolder, reportsFolder} {
		own := s.root.live[name]
		if own == nil && s.dir != "" {
			if info, err := os.Lstat(filepath.Join(s.dir, name)); err == nil && info.IsDir() {
				own = newFolder()
				s.root.live[name] = own
			}
		}
		if own != nil {
			do(own, name)
		}
	}
	var look func(n *node, name string, depth int)
	look = func(n *node, name string, depth int) {
		for e, child := range n.live {
			at := path.Join(name, e)
			if child.isDir() && (strings.HasSuffix(e, ".unfinished") || e == "ascmhl") {
				do(child, at) // a patrol adds to the history of a finished copy
			} else if child.isDir() && depth < 3 && !rooted(at) {
				look(child, at, depth+1)
			}
		}
	}
	look(s.root, "", 0)
}

func (s *store) flushFile(n *node) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n.believed = len(n.data)
	if !s.liar {
		n.flush()
	}
}

func (n *node) flush() {
	if !n.forgotten {
		n.flushed, n.isFlushed = n.data[:len(n.data):len(n.data)], true
	}
}

func (s *store) flushDir(name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, n, err := s.find(name)
	if err != nil {
		return err
	}
	if !n.isDir() {
		return &fs.PathError{Op: "flush", Path: name, Err: syscall.ENOTDIR}
	}
	if rooted(name) {
		s.takeOver(n, name)
	}
	if !s.liar {
		n.durable = cloneMap(n.live)
	}
	return nil
}

func cloneMap(m map[string]*node) map[string]*node {
	c := make(map[string]*node, len(m))
	for k, v := range m {
		c[k] = v
	}
	return c
}

// flushAll makes everything durable. A medium that lies does so one time in
// three.
func (s *store) flushAll() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.eachOpen(s.refresh)
	s.flushs++
	each(s.root, func(n *node) { n.believed = len(n.data) })
	if s.liar && s.flushs%3 != 0 {
		return
	}
	each(s.root, func(n *node) {
		if n.isDir() {
			n.durable = cloneMap(n.live)
		} else {
			n.flush()
		}
	})
}

func each(n *node, do func(*node)) {
	do(n)
	for _, child := range n.live {
		each(child, do)
	}
}

// forget is a flush that failed: what was not durable never will be, and no
// later flush says so. Without a file it is about all. What a medium had said to
// be durable the kernel has let go, so that it fails no more.
func (s *store) forget(n *node) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n == nil {
		n = s.root
	}
	each(n, func(n *node) {
		if !n.isDir() && !n.whole() && n.believed < len(n.data) {
			n.forgotten = true
		}
	})
}

// errDead: whoever asks belongs to a life that was killed.
var errDead = errors.New("this life is over")
