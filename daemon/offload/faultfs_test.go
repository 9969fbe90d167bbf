package offload

import (
	"fmt"
	"io"
	"sync"
	"syscall"
	"time"
)

// faultFS stands before a real FS: it counts every call, lets a test put a
// fault into any of them, and keeps the account of what was flushed.
type faultFS struct {
	FS
	// hook is asked before every call; nil, and a nil answer, mean no fault.
	hook func(call) *fault
	// noFlush leaves out the real flush: these tests judge by the account, and
	// a real syncfs would write out the whole machine's disk.
	noFlush bool

	mu       sync.Mutex
	n        int
	kinds    map[string]int
	named    map[string]int
	sinks    map[string][]*sinkRecord // by name, in order of creation
	broken   []string                 // rules of flushing that were broken
	reads    map[*faultSource]bool    // being read
	patches  map[*faultPatchwork]bool // being written in pieces
	halfMade map[string]bool          // by name: the last Create failed, and may have left something

	// bad says which bytes of a file cannot be read; nil: all can. It is set
	// before the run.
	bad      func(name string, from, to int64) (firstBad int64, any bool)
	badGives bool // what comes before a bad place
}

type call struct {
	kind, name string
	n          int // of all calls, from 1
	ofKind     int
	ofName     int // of this kind and name
}

type fault struct {
	err    error
	after  bool         // the call is carried out, and fails nevertheless
	short  bool         // half of the bytes are read or written
	change func([]byte) // silently changes the bytes on their way
	before func()       // something that happens just then
}

// sinkRecord is the life of one file being written, from one Create on.
type sinkRecord struct {
	dirty, failed, flushed, closed bool
	removed                        bool
	written, flushedTo             int64 // bytes from the front
}

func newFaultFS(inner FS) *faultFS {
	return &faultFS{
		FS: inner, noFlush: true, kinds: map[string]int{}, named: map[string]int{}, sinks: map[string][]*sinkRecord{}, reads: map[*faultSource]bool{},
		patches:  map[*faultPatchwork]bool{},
		halfMade: map[string]bool{},
	}
}

func (x *faultFS) strike(kind, name string) *fault {
	x.mu.Lock()
	x.n++
	x.kinds[kind]++
	x.named[kind+" "+name]++
	c := call{kind, name, x.n, x.kinds[kind], x.named[kind+" "+name]}
	x.mu.Unlock()
	if x.hook == nil {
		return nil
	}
	f := x.hook(c)
	if f != nil && f.before != nil {
		f.before()
	}
	return f
}

func (x *faultFS) do(kind, name string, op func() error) error {
	f := x.strike(kind, name)
	if f == nil || f.err == nil {
		return op()
	}
	if f.after {
		op()
	}
	return f.err
}

// count is how often calls of one kind were made, of all names or of one.
func (x *faultFS) count(kind string) int {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.kinds[kind]
}

func (x *faultFS) calls() int {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.n
}

func (x *faultFS) List(name string) (items []Item, err error) {
	err = x.do("list", name, func() error { items, err = x.FS.List(name); return err })
	return items, err
}

func (x *faultFS) Lstat(name string) (item Item, err error) {
	err = x.do("lstat", name, func() error { item, err = x.FS.Lstat(name); return err })
	return item, err
}

func (x *faultFS) Mkdir(name string) error {
	return x.do("mkdir", name, func() error { return x.FS.Mkdir(name) })
}

func (x *faultFS) Rename(from, to string) error {
	return x.do("rename", to, func() error { return x.FS.Rename(from, to) })
}

func (x *faultFS) Remove(name string) error {
	err := x.do("remove", name, func() error { return x.FS.Remove(name) })
	x.mu.Lock()
	defer x.mu.Unlock()
	if list := x.sinks[name]; len(list) > 0 && !x.halfMade[name] {
		rec := list[len(list)-1]
		if rec.removed {
			x.broken = append(x.broken, name+" was removed twice")
		}
		rec.removed = rec.removed || err == nil
	}
	return err
}

func (x *faultFS) SetModTime(name string, at time.Time) error {
	return x.do("set time", name, func() error { return x.FS.SetModTime(name, at) })
}

func (x *faultFS) SyncDir(name string) error {
	return x.do("sync dir", name, func() error {
		if x.noFlush {
			_, err := x.FS.Lstat(name)
			return err
		}
		return x.FS.SyncDir(name)
	})
}

func (x *faultFS) SyncAll() error {
	err := x.do("sync all", "", func() error {
		if x.noFlush {
			return nil
		}
		return x.FS.SyncAll()
	})
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, list := range x.sinks {
		for _, s := range list {
			s.flush(err)
		}
	}
	return err
}

// flush: what a failed flush lost stays lost, whatever a later one says.
func (s *sinkRecord) flush(err error) {
	switch {
	case err != nil && s.dirty:
		s.failed = true
	case err == nil && s.dirty && !s.failed:
		s.flushed, s.flushedTo = true, s.written
	}
	s.dirty = false
}

func (x *faultFS) Create(name string, size int64) (sink Sink, err error) {
	err = x.do("create", name, func() error { sink, err = x.FS.Create(name, size); return err })
	x.mu.Lock()
	x.halfMade[name] = err != nil
	x.mu.Unlock()
	if err != nil {
		if sink != nil {
			sink.Close()
		}
		return nil, err
	}
	rec := &sinkRecord{dirty: true} // an empty file has to be flushed too
	x.mu.Lock()
	defer x.mu.Unlock()
	x.sinks[name] = append(x.sinks[name], rec)
	return &faultSink{Sink: sink, fs: x, name: name, rec: rec}, nil
}

type faultSink struct {
	Sink
	fs   *faultFS
	name string
	rec  *sinkRecord
}

func (s *faultSink) Write(p []byte) (n int, err error) {
	f := s.fs.strike("write", s.name)
	s.fs.mu.Lock()
	s.rec.dirty, s.rec.flushed = true, false
	s.fs.mu.Unlock()
	defer func() {
		s.fs.mu.Lock()
		defer s.fs.mu.Unlock()
		s.rec.written += int64(n)
	}()
	switch {
	case f == nil:
		return s.Sink.Write(p)
	case f.change != nil:
		p = append([]byte(nil), p...)
		f.change(p)
		return s.Sink.Write(p)
	case f.short:
		n, err := s.Sink.Write(p[:len(p)/2])
		if err == nil {
			err = f.err
		}
		return n, err
	case f.err != nil && f.after:
		n, _ := s.Sink.Write(p)
		return n, f.err
	case f.err != nil:
		return 0, f.err
	}
	return s.Sink.Write(p)
}

func (s *faultSink) Push(last bool) error {
	return s.fs.do("push", s.name, func() error { return s.Sink.Push(last) })
}

func (s *faultSink) SetModTime(at time.Time) error {
	return s.fs.do("set time", s.name, func() error { return s.Sink.SetModTime(at) })
}

func (s *faultSink) Sync() error {
	s.fs.mu.Lock()
	if s.rec.failed {
		s.fs.broken = append(s.fs.broken, s.name+" was flushed again after a failed flush")
	}
	s.fs.mu.Unlock()
	err := s.fs.do("sync", s.name, func() error {
		if s.fs.noFlush {
			return nil
		}
		return s.Sink.Sync()
	})
	s.fs.mu.Lock()
	defer s.fs.mu.Unlock()
	s.rec.flush(err)
	return err
}

func (s *faultSink) Close() error {
	s.fs.mu.Lock()
	s.rec.closed = true
	s.fs.mu.Unlock()
	err := s.fs.do("close", s.name, func() error { return nil })
	if cerr := s.Sink.Close(); err == nil {
		err = cerr
	}
	return err
}

// unclosed lists files that were left open, for writing or for reading.
func (x *faultFS) unclosed() (names []string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for name, list := range x.sinks {
		for _, s := range list {
			if !s.closed {
				names = append(names, name)
			}
		}
	}
	for s := range x.reads {
		names = append(names, s.kind+" "+s.name)
	}
	for s := range x.patches {
		names = append(names, "patchwork "+s.name)
	}
	return names
}

func (x *faultFS) Open(name string) (Source, error) { return x.open("open", "read", name, x.FS.Open) }
func (x *faultFS) OpenMedium(name string) (Source, error) {
	return x.open("open medium", "read medium", name, x.FS.OpenMedium)
}

func (x *faultFS) OpenGrowing(name string) (Source, error) {
	return x.open("open growing", "read medium", name, x.FS.OpenGrowing)
}

func (x *faultFS) open(kind, reads, name string, open func(string) (Source, error)) (src Source, err error) {
	err = x.do(kind, name, func() error { src, err = open(name); return err })
	if err != nil {
		if src != nil {
			src.Close()
		}
		return nil, err
	}
	s := &faultSource{Source: src, fs: x, kind: reads, name: name}
	x.mu.Lock()
	defer x.mu.Unlock()
	x.reads[s] = true
	return s, nil
}

// CreatePatchwork: writing, flushing and closing it can each have a fault.
func (x *faultFS) CreatePatchwork(name string) (p Patchwork, err error) {
	err = x.do("create patchwork", name, func() error { p, err = x.FS.CreatePatchwork(name); return err })
	if err != nil {
		if p != nil {
			p.Close()
		}
		return nil, err
	}
	s := &faultPatchwork{Patchwork: p, fs: x, name: name}
	x.mu.Lock()
	defer x.mu.Unlock()
	x.patches[s] = true
	return s, nil
}

type faultPatchwork struct {
	Patchwork
	fs   *faultFS
	name string
}

func (s *faultPatchwork) WriteAt(p []byte, off int64) (n int, err error) {
	f := s.fs.strike("patch", s.name)
	switch {
	case f == nil:
		return s.Patchwork.WriteAt(p, off)
	case f.change != nil:
		p = append([]byte(nil), p...)
		f.change(p)
		return s.Patchwork.WriteAt(p, off)
	case f.err != nil:
		if f.after {
			n, _ = s.Patchwork.WriteAt(p, off)
		}
		return n, f.err
	}
	return s.Patchwork.WriteAt(p, off)
}

func (s *faultPatchwork) Sync() error {
	return s.fs.do("sync patchwork", s.name, func() error {
		if s.fs.noFlush {
			return nil
		}
		return s.Patchwork.Sync()
	})
}

func (s *faultPatchwork) Close() error {
	s.fs.mu.Lock()
	delete(s.fs.patches, s)
	s.fs.mu.Unlock()
	return s.Patchwork.Close()
}

type faultSource struct {
	Source
	fs         *faultFS
	kind, name string
}

func (s *faultSource) Close() error {
	s.fs.mu.Lock()
	delete(s.fs.reads, s)
	s.fs.mu.Unlock()
	return s.Source.Close()
}

// checkFlushed: what is read back as the medium's was flushed before. A file
// that was not made here, in this life, needs no account.
func (s *faultSource) checkFlushed(upTo int64) {
	s.fs.mu.Lock()
	defer s.fs.mu.Unlock()
	list := s.fs.sinks[s.name]
	if s.kind != "read medium" || len(list) == 0 {
		return
	}
	if rec := list[len(list)-1]; upTo > rec.flushedTo {
		s.fs.broken = append(s.fs.broken, fmt.Sprintf("%s was read back up to byte %d, and flushed up to %d", s.name, upTo, rec.flushedTo))
	}
}

// ReadSector fails like ReadAt.
func (s *faultSource) ReadSector(p []byte, off int64) (int, error) {
	sectors, ok := s.Source.(SectorSource)
	if !ok {
		return 0, fmt.Errorf("read sector of %s: %T has none", s.name, s.Source)
	}
	if f := s.fs.strike(s.kind, s.name); f != nil && f.err != nil {
		return 0, f.err
	}
	if at, bad := s.hitsBad(p, off); bad {
		return 0, fmt.Errorf("sector at byte %d: %w", at, syscall.EIO)
	}
	return sectors.ReadSector(p, off)
}

func (s *faultSource) hitsBad(p []byte, off int64) (int64, bool) {
	if s.fs.bad == nil {
		return 0, false
	}
	return s.fs.bad(s.name, off, min(off+int64(len(p)), s.Size()))
}

func (s *faultSource) ReadAt(p []byte, off int64) (n int, err error) {
	defer func() { s.checkFlushed(off + int64(n)) }()
	f := s.fs.strike(s.kind, s.name)
	if at, bad := s.hitsBad(p, off); bad {
		if s.fs.badGives {
			n, _ = s.Source.ReadAt(p[:at-off], off)
		}
		return n, fmt.Errorf("byte %d: %w", at, syscall.EIO)
	}
	switch {
	case f == nil:
		return s.Source.ReadAt(p, off)
	case f.change != nil:
		n, err := s.Source.ReadAt(p, off)
		f.change(p[:n])
		return n, err
	case f.short:
		n, err := s.Source.ReadAt(p, off)
		if n > 1 {
			n, err = n/2, nil
		}
		return n, err
	case f.err != nil && f.after:
		n, _ := s.Source.ReadAt(p, off)
		if f.err == io.EOF {
			n /= 2
		}
		return n, f.err
	case f.err != nil:
		return 0, f.err
	}
	return s.Source.ReadAt(p, off)
}
