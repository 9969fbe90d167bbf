package daemon

import (
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"sort"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"bothy/daemon/offload"
)

// seedDrive is an invented drive, or a partition of one.
type seedDrive struct {
	n                    int
	name, disk           string // kernel names
	label, uuid, diskKey string
	body                 int // which physical disk it is
	id                   string
	cloneOf              *seedDrive
	sizeBytes            int64
	readOnly             bool
	rotational           bool
	deaf                 bool   // goes on to take writes when it was pulled, as FAT does
	barred               bool   // what stands on it leaves the box no place
	store                *store // guarded by seedWorld.mu
	at                   *stay  // guarded by seedWorld.mu; nil while it is out
	faults               atomic.Pointer[faults]

	claims map[string]bool     // guarded by seedWorld.mu; folders that were called finished
	ever   map[string][][]byte // guarded by seedWorld.mu; what a liar once held in them
}

// faults are what a drive does wrong. Calls are counted from the moment at
// which the faults were put in.
type faults struct {
	calls, writes, reads, syncs atomic.Int64

	slow                time.Duration // for each call
	eioFrom, eioTo      int64         // calls that fail
	hangAt              int64         // the call that hangs, from 1 on
	hangFor             time.Duration
	flipWrite, flipRead int64 // which one has a bit turned over, from 1 on; again each so many
	failSync            int64 // which flush fails
	fullAt              int64 // bytes that it really holds, whatever it says; 0: as it says
}

// meet lets a call meet what the drive does wrong.
func (d *seedDrive) meet(l *seedLife, op string) error {
	f := d.faults.Load()
	if f == nil {
		return nil
	}
	n := f.calls.Add(1)
	if f.slow > 0 {
		l.sleep(f.slow)
	}
	if n == f.hangAt {
		l.w.saw("a drive hung")
		if l.busy() {
			l.w.saw("a drive hung in mid-copy")
		}
		l.w.logf("drive %d hangs in %s for %s", d.n, op, f.hangFor)
		l.sleep(f.hangFor)
	}
	if n >= f.eioFrom && n < f.eioTo {
		l.w.saw("a call into a drive failed")
		return syscall.EIO
	}
	if op == "sync" && f.syncs.Add(1) == f.failSync {
		l.w.saw("a flush failed")
		return errFlush
	}
	return nil
}

// errFlush: what was not flushed yet is forgotten.
var errFlush = &os.SyscallError{Syscall: "fsync", Err: syscall.EIO}

func every(n, at int64) bool { return at > 0 && n%at == 0 }

// driveFS is a drive as it is mounted.
type driveFS struct {
	at    *stay
	life  *seedLife
	store *store
	root  *os.Root
}

func (f *driveFS) do(op, name string) error {
	if err := f.life.call(f.at, op, name); err != nil {
		return &fs.PathError{Op: op, Path: name, Err: err}
	}
	return nil
}

func (f *driveFS) List(name string) ([]offload.Item, error) {
	if err := f.do("list", name); err != nil {
		return nil, err
	}
	s := f.store
	s.mu.Lock()
	defer s.mu.Unlock()
	_, n, err := s.find(name)
	if err != nil {
		return nil, err
	}
	s.refresh(n, name)
	var items []offload.Item
	for e, child := range n.live {
		items = append(items, child.item(e))
	}
	sort.Slice(items, func(i, j int) bool { return items[i].Name < items[j].Name })
	return items, nil
}

func (n *node) item(name string) offload.Item {
	if n.isDir() {
		return offload.Item{Name: name, Mode: fs.ModeDir | 0o755}
	}
	return offload.Item{Name: name, Mode: 0o644, SizeBytes: int64(len(n.data))}
}

func (f *driveFS) Lstat(name string) (offload.Item, error) {
	if err := f.do("lstat", name); err != nil {
		return offload.Item{}, err
	}
	n, err := f.look(name)
	if err != nil {
		return offload.Item{}, err
	}
	return n.item(path.Base(name)), nil
}

// look finds a live node, also one that was made through the Root.
func (f *driveFS) look(name string) (*node, error) {
	s := f.store
	s.mu.Lock()
	defer s.mu.Unlock()
	if rooted(name) {
		s.eachOpen(s.refresh)
	}
	_, n, err := s.find(name)
	return n, err
}

func (f *driveFS) Open(name string) (offload.Source, error) {
	if err := f.do("open", name); err != nil {
		return nil, err
	}
	n, err := f.look(name)
	if err != nil {
		return nil, err
	}
	if n.isDir() {
		return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.EISDIR}
	}
	return &driveSource{fs: f, name: name, node: n}, nil
}

func (f *driveFS) OpenMedium(name string) (offload.Source, error)  { return f.Open(name) }
func (f *driveFS) OpenGrowing(name string) (offload.Source, error) { return f.Open(name) }

type driveSource struct {
	fs   *driveFS
	name string
	node *node
}

func (s *driveSource) Close() error { return nil }

func (s *driveSource) Size() int64 {
	s.fs.store.mu.Lock()
	defer s.fs.store.mu.Unlock()
	return int64(len(s.node.data))
}

func (s *driveSource) ReadAt(p []byte, off int64) (int, error) {
	if err := s.fs.do("readback", s.name); err != nil {
		return 0, err
	}
	s.fs.store.mu.Lock()
	data := s.node.data
	s.fs.store.mu.Unlock()
	if off >= int64(len(data)) {
		return 0, io.EOF
	}
	n := copy(p, data[off:])
	if flt := s.fs.at.drive.faults.Load(); flt != nil && n > 0 && every(flt.reads.Add(1), flt.flipRead) {
		s.fs.life.w.saw("a bit turned over while it was read back")
		p[n/2] ^= 4
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (f *driveFS) Create(name string, _ int64) (offload.Sink, error) {
	if err := f.do("create", name); err != nil {
		return nil, err
	}
	if f.life.w.plain && strings.HasPrefix(name, ownFolder+"/ledger-") {
		// Not for want of room: that would make the drive a full one.
		return nil, &fs.PathError{Op: "create", Path: name, Err: syscall.EACCES}
	}
	sink := &driveSink{fs: f, name: name}
	var err error
	if sink.node, err = f.store.create(name); err != nil {
		return nil, err
	}
	if rooted(name) {
		sink.file, err = f.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	}
	return sink, err
}

// CreatePatchwork makes the file in which what can be read of a damaged one is
// put together.
func (f *driveFS) CreatePatchwork(name string) (offload.Patchwork, error) {
	if err := f.do("create", name); err != nil {
		return nil, err
	}
	f.life.w.saw("a damaged file was put together")
	n, err := f.store.create(name)
	if err != nil {
		return nil, err
	}
	return &drivePatchwork{driveSink{fs: f, name: name, node: n}}, nil
}

type drivePatchwork struct{ driveSink }

func (p *drivePatchwork) WriteAt(b []byte, off int64) (int, error) {
	if err := p.fs.do("write", p.name); err != nil {
		return 0, err
	}
	p.fs.store.writeAt(p.node, b, off)
	return len(b), nil
}

func (p *drivePatchwork) Truncate(size int64) error {
	if err := p.fs.do("write", p.name); err != nil {
		return err
	}
	p.fs.store.truncate(p.node, size)
	return nil
}

type driveSink struct {
	fs   *driveFS
	name string
	node *node
	file *os.File // of what lies where the Root is used
}

func (s *driveSink) Write(p []byte) (int, error) {
	if err := s.fs.do("write", s.name); err != nil {
		return 0, err
	}
	d, st := s.fs.at.drive, s.fs.store
	if flt := d.faults.Load(); flt != nil {
		if full := flt.fullAt; full > 0 && st.usedBytes()+int64(len(p)) > full {
			s.fs.life.w.saw("a drive was full in mid-file")
			st.write(s.node, p[:len(p)/2])
			return len(p) / 2, syscall.ENOSPC
		}
		if len(p) > 0 && every(flt.writes.Add(1), flt.flipWrite) && s.file == nil {
			s.fs.life.w.saw("a bit turned over while it was written")
			p = append([]byte{}, p...)
			p[len(p)/3] ^= 32
		}
	}
	if s.file != nil {
		if _, err := s.file.Write(p); err != nil {
			return 0, err
		}
	}
	st.write(s.node, p)
	return len(p), nil
}

func (s *store) usedBytes() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.used
}

func (s *driveSink) SetModTime(time.Time) error { return s.fs.do("touch", s.name) }
func (s *driveSink) Push(bool) error            { return nil }

func (s *driveSink) Sync() error {
	err := s.fs.do("sync", s.name)
	if err != nil {
		s.fs.store.forget(s.node)
		return err
	}
	s.fs.store.flushFile(s.node)
	return nil
}

func (s *driveSink) Close() error {
	if s.file != nil {
		return s.file.Close()
	}
	return nil
}

func (f *driveFS) Mkdir(name string) error {
	if err := f.do("create", name); err != nil {
		return err
	}
	return f.store.mkdir(name)
}

func (f *driveFS) Rename(from, to string) error {
	if err := f.do("rename", from); err != nil {
		return err
	}
	f.life.w.touch(f, from)
	if err := f.store.rename(from, to); err != nil {
		return err
	}
	if strings.HasSuffix(from, offload.UnfinishedSuffix) && !strings.HasSuffix(to, offload.UnfinishedSuffix) {
		f.life.w.examineFinished(f, to)
	}
	return nil
}

func (f *driveFS) Remove(name string) error {
	if err := f.do("remove", name); err != nil {
		return err
	}
	f.life.w.touch(f, name)
	return f.store.remove(name)
}

func (f *driveFS) SetModTime(name string, _ time.Time) error { return f.do("touch", name) }

func (f *driveFS) SyncDir(name string) error {
	if err := f.do("sync", name); err != nil {
		return err // a folder's entries are tried again, unlike a file's bytes
	}
	return f.store.flushDir(name)
}

func (f *driveFS) SyncAll() error {
	if err := f.do("sync", "."); err != nil {
		f.store.forget(nil)
		return err
	}
	f.store.flushAll()
	return nil
}

// space is what the drive says of itself.
func (f *driveFS) space() (free, size int64, err error) {
	if err := f.do("space", "."); err != nil {
		return 0, 0, err
	}
	d := f.at.drive
	return max(0, d.sizeBytes-f.store.usedBytes()), d.sizeBytes, nil
}

// mount makes the drive's folder what it holds, and opens it.
func (f *driveFS) mount(dir string) (err error) {
	if err := f.store.settle(dir); err != nil {
		return err
	}
	f.root, err = os.OpenRoot(filepath.Clean(f.store.dir))
	return err
}
