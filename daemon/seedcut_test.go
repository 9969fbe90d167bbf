package daemon

import (
	"os"
	"path"
	"path/filepath"
	"strings"
)

// cut is what is left when the power goes, or the plug is pulled. With lossless
// only the program went: the kernel still writes everything out. Whoever holds
// the old store from then on changes nothing on the medium.
func (s *store) cut(seed uint64, lossless bool) *store {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.eachOpen(s.refresh)
	left := &store{liar: s.liar, flushs: s.flushs}
	c := &cutting{seed: seed, lossless: lossless, liar: s.liar}
	left.root = c.folder(s.root, "")
	each(left.root, func(n *node) { left.used += int64(len(n.data)) })
	return left
}

type cutting struct {
	seed           uint64
	lossless, liar bool
}

func (c *cutting) folder(n *node, name string) *node {
	left := newFolder()
	left.foreign = n.foreign
	for e, child := range c.entries(n, name) {
		at := path.Join(name, e)
		if child.isDir() {
			left.live[e] = c.folder(child, at)
		} else {
			left.live[e] = c.file(child, at)
		}
		left.durable[e] = left.live[e]
	}
	return left
}

// entries are the names in a folder: those that were flushed, or those of the
// last moment, or the flushed ones with some of the changes since. What was
// renamed has one of its names.
func (c *cutting) entries(n *node, name string) map[string]*node {
	switch {
	case c.lossless:
		return n.live
	case c.liar:
		return n.durable
	}
	switch pick(c.seed, "folder", name) % 3 {
	case 0:
		return n.durable
	case 1:
		return n.live
	}
	mixed := cloneMap(n.durable)
	for e, child := range n.live {
		if mixed[e] == nil && !holdsNode(n.durable, child) && pick(c.seed, "new", name, e)%2 == 0 {
			mixed[e] = child
		}
	}
	for e, child := range n.durable {
		if n.live[e] == nil && !holdsNode(n.live, child) && pick(c.seed, "gone", name, e)%2 == 0 {
			delete(mixed, e)
		}
	}
	return mixed
}

func holdsNode(m map[string]*node, n *node) bool {
	for _, have := range m {
		if have == n {
			return true
		}
	}
	return false
}

// file is a file after the cut: what was not flushed is there, or not, or in
// part, or reads as zeros.
func (c *cutting) file(n *node, name string) *node {
	data := n.data
	switch {
	case c.lossless && !n.forgotten, n.whole():
	case c.liar, n.forgotten, pick(c.seed, "file", name)%4 == 0:
		data = n.flushed
	case pick(c.seed, "file", name)%4 == 1:
		keep := len(n.flushed) + int(pick(c.seed, "torn", name)%uint64(len(n.data)-len(n.flushed)+1))
		data = n.data[:keep]
	case pick(c.seed, "file", name)%4 == 2:
		data = append(append([]byte{}, n.flushed...), make([]byte, len(n.data)-len(n.flushed))...)
	}
	return &node{data: data[:len(data):len(data)], flushed: data[:len(data):len(data)], isFlushed: true, foreign: n.foreign}
}

// settle makes the folder that a Root needs, with what belongs into it.
func (s *store) settle(dir string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.dir != "" {
		return nil
	}
	s.dir = dir
	return s.lay(s.root, "")
}

func (s *store) lay(n *node, name string) error {
	at := filepath.Join(s.dir, name)
	if !n.isDir() {
		if !rooted(name) {
			return nil
		}
		return os.WriteFile(at, n.data, 0o644)
	}
	if err := os.Mkdir(at, 0o755); err != nil {
		return err
	}
	for e, child := range n.live {
		if err := s.lay(child, path.Join(name, e)); err != nil {
			return err
		}
	}
	return nil
}

// putForeign puts something on a drive before the box comes.
func (s *store) putForeign(name string, data []byte) {
	dir := s.root
	elements := strings.Split(name, "/")
	for _, e := range elements[:len(elements)-1] {
		next := dir.live[e]
		if next == nil {
			next = newFolder()
			dir.live[e], dir.durable[e] = next, next
		}
		dir = next
	}
	n := &node{data: data, flushed: data, isFlushed: true, foreign: true}
	e := elements[len(elements)-1]
	dir.live[e], dir.durable[e] = n, n
	s.used += int64(len(data))
}
