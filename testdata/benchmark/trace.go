package main

import (
	"context"
	"errors"
	"os"
	"strings"
	"sync"
	"time"

	"bothy/daemon"
	"bothy/daemon/offload"
	"bothy/daemon/volume"
	"bothy/udev"
)

// sampleBytes is the longest read that counts as a look at a sample. Whole files
// are read back in far longer ones.
const sampleBytes = 4096

// look is what the second look at one drive took.
type look struct {
	Disk  string        `json:"disk"`
	Files int           `json:"files"`
	Reads int           `json:"reads"`
	Busy  time.Duration `json:"busy"` // from opening the first file to closing the last

	begun time.Duration
}

// trace watches how files are read.
type trace struct {
	first sync.Once
	read  func() // called at the first read of a card's file

	mu    sync.Mutex
	drive map[string]*look // guarded by mu; by disk
}

func newTrace(read func()) *trace { return &trace{read: read, drive: map[string]*look{}} }

func (t *trace) looks() []look {
	t.mu.Lock()
	defer t.mu.Unlock()
	var all []look
	for _, l := range t.drive {
		all = append(all, *l)
	}
	return all
}

// sampled takes in that a file was opened and only samples of it were read.
func (t *trace) sampled(disk string, reads int, begun, ended time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	l := t.drive[disk]
	if l == nil {
		l = &look{Disk: disk, begun: begun}
		t.drive[disk] = l
	}
	l.Files++
	l.Reads += reads
	l.begun = min(l.begun, begun) // several are looked at side by side
	l.Busy = max(l.Busy, ended-l.begun)
}

// tracedVolumes mount media as the daemon's own do, and watch what is read.
type tracedVolumes struct {
	mounter volume.Mounter
	trace   *trace
}

func newTracedVolumes(dir string, t *trace) *tracedVolumes {
	return &tracedVolumes{mounter: volume.Mounter{Dir: dir}, trace: t}
}

// Card implements daemon.Volumes.
func (v *tracedVolumes) Card(ctx context.Context, dev udev.Device) (*daemon.Opened, error) {
	m, err := v.mounter.Card(ctx, dev.Node, dev.Node, dev.FSType)
	if err != nil {
		return nil, err
	}
	return v.opened(ctx, m, func(fs offload.FS) offload.FS { return &cardFS{fs, v.trace} })
}

// Drive implements daemon.Volumes.
func (v *tracedVolumes) Drive(ctx context.Context, dev udev.Device, readOnly bool) (*daemon.Opened, error) {
	m, err := v.mounter.Drive(ctx, dev.Node, dev.FSType, readOnly)
	if err != nil {
		return nil, err
	}
	return v.opened(ctx, m, func(fs offload.FS) offload.FS { return &driveFS{fs, v.trace, dev.Disk} })
}

// Folder implements daemon.Volumes.
func (v *tracedVolumes) Folder(context.Context, string) (*daemon.Opened, error) {
	return nil, errors.New("the rig has no folders")
}

func (v *tracedVolumes) opened(ctx context.Context, m *volume.Mount, watch func(offload.FS) offload.FS) (*daemon.Opened, error) {
	root, err := os.OpenRoot(m.Path)
	if err != nil {
		return nil, errors.Join(err, m.Unmount(ctx))
	}
	disks, err := volume.Disks(m.Path)
	if err != nil {
		return nil, errors.Join(err, root.Close(), m.Unmount(ctx))
	}
	return &daemon.Opened{
		Root: root, Limits: m.Limits(), Dirty: m.Dirty, Disks: disks,
		FS: watch(&offload.RootFS{Root: root, Limits: m.Limits(), Node: m.Node}),
		Release: func(ctx context.Context) error {
			root.Close() // nothing is written through it
			return m.Unmount(ctx)
		},
	}, nil
}

// cardFS tells when a card's file is first read.
type cardFS struct {
	offload.FS
	trace *trace
}

// Open implements offload.FS.
func (c *cardFS) Open(name string) (offload.Source, error) {
	src, err := c.FS.Open(name)
	if err != nil || strings.Contains(name, "ascmhl") {
		return src, err
	}
	return &cardSource{src, c.trace}, nil
}

type cardSource struct {
	offload.Source
	trace *trace
}

// ReadAt implements offload.Source.
func (s *cardSource) ReadAt(p []byte, off int64) (int, error) {
	s.trace.first.Do(s.trace.read)
	return s.Source.ReadAt(p, off)
}

// driveFS tells looks at samples from reading files back.
type driveFS struct {
	offload.FS
	trace *trace
	disk  string
}

// OpenMedium implements offload.FS.
func (d *driveFS) OpenMedium(name string) (offload.Source, error) {
	begun := ticks()
	src, err := d.FS.OpenMedium(name)
	if err != nil {
		return nil, err
	}
	return &driveSource{Source: src, fs: d, begun: begun}, nil
}

// driveSource is read by one goroutine at a time.
type driveSource struct {
	offload.Source
	fs    *driveFS
	begun time.Duration
	reads int
	whole bool // a read was longer than a sample
}

// ReadAt implements offload.Source.
func (s *driveSource) ReadAt(p []byte, off int64) (int, error) {
	s.reads++
	s.whole = s.whole || len(p) > sampleBytes
	return s.Source.ReadAt(p, off)
}

// Close implements offload.Source.
func (s *driveSource) Close() error {
	err := s.Source.Close()
	if !s.whole && s.reads > 0 {
		s.fs.trace.sampled(s.fs.disk, s.reads, s.begun, ticks())
	}
	return err
}
