package mhl

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"

	"golang.org/x/sys/unix"
)

// Op is a kind of change to a disk.
type Op string

// Every kind of change that Append makes.
const (
	OpMkdir   Op = "mkdir"
	OpRemove  Op = "remove" // of a left-over of an interrupted Append
	OpCreate  Op = "create"
	OpWrite   Op = "write"
	OpSync    Op = "sync"
	OpRename  Op = "rename"
	OpSyncDir Op = "sync-dir"
)

// Step is one change: its kind and the path it is about, relative to the root.
type Step struct {
	Op   Op
	Path string
}

// Syncer stands between Append and the disk, so that a fault can be put before
// or behind every change. Do makes the change by calling it once, and returns
// its error; an implementation that returns an error of its own, with or
// without having called change, makes Append stop there.
type Syncer interface {
	Do(step Step, change func() error) error
}

// ReadWatcher is a Syncer that is told, by Read, that reading the histories that stand
// gets on: after each MiB, and behind each file and folder.
type ReadWatcher interface {
	Syncer
	Read()
}

// direct makes every change and nothing else.
type direct struct{}

func (direct) Do(_ Step, change func() error) error { return change() }

// The names under which unfinished files are written. They are the only ones
// that a later Append removes.
const (
	unfinishedManifest = "bothy-manifest.unfinished"
	unfinishedChain    = "bothy-chain.unfinished"
)

// store writes files into one ascmhl folder.
type store struct {
	root *os.Root
	sync Syncer
	dir  string // the ascmhl folder
}

func (s store) do(op Op, name string, change func() error) error {
	err := s.sync.Do(Step{op, name}, change)
	if err != nil {
		return fmt.Errorf("%s %s: %w", op, name, err)
	}
	return nil
}

// prepare makes the ascmhl folder if it isn't there, durably, and removes what
// an interrupted Append left.
func (s store) prepare() error {
	_, err := s.root.Lstat(s.dir)
	if errors.Is(err, fs.ErrNotExist) {
		if err := s.do(OpMkdir, s.dir, func() error { return s.root.Mkdir(s.dir, 0o755) }); err != nil {
			return err
		}
	} else if err != nil {
		return fmt.Errorf("look at %s: %w", s.dir, err)
	}
	// Also when it was there: the Append that made it may have been cut short
	// of this.
	if err := s.syncDir(path.Dir(s.dir)); err != nil {
		return err
	}
	for _, name := range []string{unfinishedManifest, unfinishedChain} {
		name := path.Join(s.dir, name)
		if _, err := s.root.Lstat(name); errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err := s.do(OpRemove, name, func() error { return s.root.Remove(name) }); err != nil {
			return err
		}
	}
	return nil
}

// put writes a file under its temporary name, makes it durable, renames it and
// makes that durable. The file is flushed once more under its final name: on
// FAT a power cut left an empty one without (measured).
func (s store) put(temp, name string, content func(io.Writer) error) error {
	temp, name = path.Join(s.dir, temp), path.Join(s.dir, name)
	var f *os.File
	err := s.do(OpCreate, temp, func() (err error) {
		f, err = s.root.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if err == nil {
			// Btrfs and NTFS keep small files within their own records, out of
			// the reach of direct reading, unless space was reserved before the
			// first byte. Where that is refused nothing is lost.
			_ = unix.Fallocate(int(f.Fd()), unix.FALLOC_FL_KEEP_SIZE, 0, 4096)
		}
		return err
	})
	if f != nil {
		defer f.Close() // a second time on the good way, which does no harm
	}
	if err != nil {
		return err
	}
	steps := []func() error{
		func() error { return content(stepWriter{s, f, temp}) },
		func() error { return s.do(OpSync, temp, f.Sync) },
		func() error {
			return s.do(OpRename, name, func() error { return s.root.Rename(temp, name) })
		},
		func() error { return s.syncDir(s.dir) },
		func() error { return s.do(OpSync, name, f.Sync) },
	}
	for _, step := range steps {
		if err := step(); err != nil {
			return err
		}
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("close %s: %w", name, err)
	}
	return nil
}

func (s store) syncDir(dir string) error {
	return s.do(OpSyncDir, dir, func() error {
		f, err := s.root.Open(dir)
		if err != nil {
			return err
		}
		return errors.Join(f.Sync(), f.Close())
	})
}

// stepWriter makes every write a step of its own.
type stepWriter struct {
	store store
	file  *os.File
	name  string
}

func (w stepWriter) Write(p []byte) (n int, err error) {
	err = w.store.do(OpWrite, w.name, func() (err error) {
		n, err = w.file.Write(p)
		return err
	})
	return n, err
}
