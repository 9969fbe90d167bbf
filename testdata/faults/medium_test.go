//go:build linux && amd64

package faults

import (
	"bytes"
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"bothy/daemon/volume"
	"bothy/testdata/faults/tracer"
)

// medium knows what would be left of a drive if the power went: what has been
// flushed, file by file and folder by folder, as the kernel's own manual promises
// it and nothing beyond. A file's name is as durable as the folder it stands in.
// What a flush failed for is lost for good, though a later flush succeeds.
type medium struct {
	dir     string
	weak    bool // syncfs(2) brings nothing past the device's own cache, as on FAT
	root    uint64
	durable map[uint64]durable
	burned  map[uint64]bool // a flush has failed since it was made
	pending map[int]map[uint64]durable
}

// durable is a file's bytes or a folder's entries, as last flushed.
type durable struct {
	info    fs.FileInfo
	data    []byte
	entries map[string]uint64
}

func newMedium(dir string) (*medium, error) {
	weak := !volume.LimitsOf(fileSystems[filepath.Base(dir)]).SyncfsFlushes
	m := &medium{dir: dir, weak: weak, burned: map[uint64]bool{}, pending: map[int]map[uint64]durable{}}
	info, err := os.Stat(dir)
	if err != nil {
		return nil, err
	}
	m.root = inode(info)
	m.durable, err = m.everything()
	return m, err
}

func inode(info fs.FileInfo) uint64 { return info.Sys().(*syscall.Stat_t).Ino }

// everything is what is there now, as if it had been flushed this moment.
func (m *medium) everything() (map[uint64]durable, error) {
	all := map[uint64]durable{}
	err := filepath.WalkDir(m.dir, func(path string, _ fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil {
			return err
		}
		d, err := m.look(path)
		if errors.Is(err, fs.ErrNotExist) {
			return nil // others work on
		}
		all[inode(d.info)] = d
		return err
	})
	return all, err
}

func (m *medium) look(path string) (durable, error) {
	info, err := os.Stat(path)
	if err != nil {
		return durable{info: info}, err
	}
	d := durable{info: info}
	if !info.IsDir() {
		if was := m.durable[inode(info)]; was.info != nil && unchanged(was.info, info) {
			return was, nil
		}
		d.data, err = os.ReadFile(path)
		return d, err
	}
	d.entries = map[string]uint64{}
	list, err := os.ReadDir(path)
	for _, e := range list {
		if i, err := e.Info(); err == nil {
			d.entries[e.Name()] = inode(i)
		}
	}
	return d, err
}

func unchanged(a, b fs.FileInfo) bool {
	x, y := a.Sys().(*syscall.Stat_t), b.Sys().(*syscall.Stat_t)
	// Older kernels stamp by their ticks: a change within the same one looks
	// like none, so only what is older than that counts.
	age := time.Since(time.Unix(y.Ctim.Unix()))
	return x.Ctim == y.Ctim && x.Size == y.Size && age > 20*time.Millisecond
}

// before takes note of what a flush that is about to begin will cover.
func (m *medium) before(c *tracer.Call) {
	if c.Kind != tracer.Flush {
		return
	}
	cover, err := m.everything()
	if c.Name != "syncfs" {
		var d durable
		if d, err = m.look(c.Descriptor()); err == nil {
			cover = map[uint64]durable{inode(d.info): d}
		}
	}
	if err == nil {
		m.pending[c.Thread] = cover
	}
}

// after: the flush was carried out.
func (m *medium) after(c *tracer.Call) {
	cover := m.pending[c.Thread]
	delete(m.pending, c.Thread)
	if c.Result != 0 || m.weak && c.Name == "syncfs" {
		return
	}
	for ino, d := range cover {
		if !m.burned[ino] {
			m.durable[ino] = d
		}
	}
}

// failed: the flush is going to fail. What it should have covered and is not
// durable yet will never be.
func (m *medium) failed(c *tracer.Call) {
	for ino, d := range m.pending[c.Thread] {
		if was, known := m.durable[ino]; !d.info.IsDir() && (!known || !bytes.Equal(was.data, d.data)) {
			m.burned[ino] = true
		}
	}
	delete(m.pending, c.Thread)
}

// burnedIn lists the files in finished folders that a flush has failed for and
// that were not written again as new ones since.
func (m *medium) burnedIn(folders []string) (found []string) {
	for _, folder := range folders {
		filepath.WalkDir(filepath.Join(m.dir, folder), func(path string, e fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			info, err := e.Info()
			if err == nil && m.burned[inode(info)] {
				found = append(found, path)
			}
			return err
		})
	}
	return found
}

// loss is a way in which a drive forgets what was not flushed.
type loss string

const (
	kept    loss = ""       // only the process died
	all     loss = "all"    // nothing that was not flushed is there
	shorn   loss = "shorn"  // names are as they were, bytes that were not flushed are missing
	zeroes  loss = "zeroes" // names and lengths are as they were, with zeros for what was not flushed
	mingled loss = "mingled"
)

var losses = []loss{all, shorn, zeroes, mingled}

// cut makes the drive what a power cut leaves.
func (m *medium) cut(how loss, coin *rand.Rand) error {
	now, err := m.everything()
	if err != nil {
		return err
	}
	c := cutting{medium: m, now: now, how: how, coin: coin}
	left := m.dir + ".left"
	if err := c.folder(m.root, left, 0); err != nil {
		return err
	}
	if err := os.RemoveAll(m.dir); err != nil {
		return err
	}
	if err := os.Rename(left, m.dir); err != nil {
		return err
	}
	fresh, err := newMedium(m.dir)
	if err == nil {
		*m = *fresh
	}
	return err
}

type cutting struct {
	medium *medium
	now    map[uint64]durable
	how    loss
	coin   *rand.Rand
}

// folder writes what is left of a folder.
func (c *cutting) folder(ino uint64, to string, depth int) error {
	was, known := c.medium.durable[ino]
	is, there := c.now[ino]
	d := is
	if !there || known && c.how == all {
		d = was
	}
	if err := os.Mkdir(to, 0o755); err != nil {
		return err
	}
	for name, child := range c.entries(was.entries, is.entries) {
		if depth > 64 {
			return errors.New("a folder lies in itself")
		}
		if err := c.thing(child, filepath.Join(to, name), depth); err != nil {
			return err
		}
	}
	return os.Chtimes(to, d.info.ModTime(), d.info.ModTime())
}

// entries are those that are left.
func (c *cutting) entries(was, is map[string]uint64) map[string]uint64 {
	switch c.how {
	case all:
		return was
	case mingled:
	default:
		return is
	}
	left := map[string]uint64{}
	for name, ino := range was {
		if is[name] == ino || c.coin.IntN(2) == 0 {
			left[name] = ino
		}
	}
	for name, ino := range is {
		if was[name] != ino && c.coin.IntN(2) == 0 {
			left[name] = ino
		}
	}
	return left
}

func (c *cutting) thing(ino uint64, to string, depth int) error {
	was, known := c.medium.durable[ino]
	is, there := c.now[ino]
	if !known && !there {
		return nil // removed, and never flushed
	}
	if (there && is.info.IsDir()) || (known && was.info.IsDir()) {
		return c.folder(ino, to, depth+1)
	}
	d := c.file(was, is, known, there)
	if err := os.WriteFile(to, d.data, 0o644); err != nil {
		return err
	}
	return os.Chtimes(to, d.info.ModTime(), d.info.ModTime())
}

// file is what is left of a file's bytes.
func (c *cutting) file(was, is durable, known, there bool) durable {
	if c.how == mingled && there && c.coin.IntN(2) == 0 && !c.medium.burned[inode(is.info)] {
		return is
	}
	if !known {
		was = durable{info: is.info}
	}
	if c.how == zeroes && there && len(was.data) < len(is.data) {
		data := make([]byte, len(is.data))
		copy(data, was.data)
		was.data = data
	}
	return was
}
