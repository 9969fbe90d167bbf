package daemon

import (
	"io/fs"
	"os"
	"time"

	"bothy/daemon/offload"
)

// simFS is a medium's folder. It flushes nothing and reads through the page
// cache: what is tried here is the way of a card, not a medium. A medium that
// was pulled gives no more bytes.
type simFS struct {
	offload.RootFS
	in     insertion
	folder bool // mounted by somebody else; it cannot be pulled
}

func (f *simFS) do(op, name string) error {
	if err := f.in.do(op, name); err != nil {
		return err
	}
	if f.folder {
		return nil
	}
	if err := f.in.Check(); err != nil {
		return &fs.PathError{Op: op, Path: name, Err: err}
	}
	return nil
}

func (f *simFS) List(name string) ([]offload.Item, error) {
	if err := f.do("list", name); err != nil {
		return nil, err
	}
	return f.RootFS.List(name)
}

func (f *simFS) Lstat(name string) (offload.Item, error) {
	if err := f.do("lstat", name); err != nil {
		return offload.Item{}, err
	}
	return f.RootFS.Lstat(name)
}

func (f *simFS) Open(name string) (offload.Source, error) {
	if err := f.do("cached", name); err != nil {
		return nil, err
	}
	return f.OpenMedium(name)
}

// OpenMedium is told from Open by what the hook is told only.
func (f *simFS) OpenMedium(name string) (offload.Source, error) {
	if err := f.do("open", name); err != nil {
		return nil, err
	}
	file, err := f.Root.Open(name)
	if err != nil {
		return nil, err
	}
	info, err := file.Stat()
	if err != nil {
		file.Close()
		return nil, err
	}
	return &simSource{File: file, fs: f, name: name, size: info.Size()}, nil
}

type simSource struct {
	*os.File
	fs   *simFS
	name string
	size int64
}

func (s *simSource) Size() int64 { return s.size }

func (s *simSource) ReadAt(p []byte, at int64) (int, error) {
	if err := s.fs.do("read", s.name); err != nil {
		return 0, err
	}
	return s.File.ReadAt(p, at)
}

func (f *simFS) Create(name string, size int64) (offload.Sink, error) {
	if err := f.do("create", name); err != nil {
		return nil, err
	}
	file, err := f.Root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, err
	}
	return &simSink{File: file, fs: f, name: name}, nil
}

type simSink struct {
	*os.File
	fs   *simFS
	name string
}

func (s *simSink) Write(p []byte) (int, error) {
	if err := s.fs.do("write", s.name); err != nil {
		return 0, err
	}
	return s.File.Write(p)
}

func (s *simSink) SetModTime(at time.Time) error { return s.fs.SetModTime(s.name, at) }
func (s *simSink) Push(bool) error               { return nil }
func (s *simSink) Sync() error                   { return s.fs.do("sync", s.name) }

func (f *simFS) Mkdir(name string) error {
	if err := f.do("create", name); err != nil {
		return err
	}
	return f.RootFS.Mkdir(name)
}

func (f *simFS) Rename(from, to string) error {
	if err := f.do("rename", from); err != nil {
		return err
	}
	return f.RootFS.Rename(from, to)
}

func (f *simFS) Remove(name string) error {
	if err := f.do("remove", name); err != nil {
		return err
	}
	return f.RootFS.Remove(name)
}

func (f *simFS) SyncDir(name string) error { return f.do("sync", name) }
func (f *simFS) SyncAll() error            { return f.do("sync", ".") }

// below is the file system that the supervisor counts the calls of.
func below(f offload.FS) offload.FS {
	if counted, ok := f.(steppingFS); ok {
		return counted.FS
	}
	return f
}
