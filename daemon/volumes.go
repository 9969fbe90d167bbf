package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"

	"bothy/daemon/offload"
	"bothy/daemon/volume"
	"bothy/udev"
)

// Volumes opens media. The running system's mounts them; a rehearsal's opens
// folders.
type Volumes interface {
	// Card opens a card so that nothing is ever written to it.
	Card(ctx context.Context, dev udev.Device) (*Opened, error)
	// Drive opens a drive, for looking only or for writing.
	Drive(ctx context.Context, dev udev.Device, readOnly bool) (*Opened, error)
	// Folder opens a drive that is a folder somebody has mounted already.
	Folder(ctx context.Context, path string) (*Opened, error)
}

// Opened is a medium that can be read, and written if it is a drive's.
type Opened struct {
	Root   *os.Root
	FS     offload.FS
	Limits volume.Limits
	Medium offload.Medium // nil: cannot change
	Disks  []string       // whole disks below it
	// Dirty: a journal was not replayed; files written last may not show.
	Dirty bool
	// Space tells how many bytes are free and how many there are; nil: the file
	// system that Root lies in is asked.
	Space func() (freeBytes, sizeBytes int64, err error)
	// Release closes the medium; what was written to it is durable when it
	// returns nil.
	Release func(ctx context.Context) error

	watch *cardWatch // of a card; nil: nobody watches
}

// stepping is for work on a card past its FS, which the watch does not see: step is to be
// called after each part that came back, done at the end.
func (o *Opened) stepping() (step, done func()) {
	if o.watch == nil {
		return func() {}, func() {}
	}
	back := o.watch.around()
	return func() {
		back()
		back = o.watch.around()
	}, func() { back() }
}

func (o *Opened) space() (freeBytes, sizeBytes int64, err error) {
	if o.Space != nil {
		return o.Space()
	}
	return volume.Space(o.Root)
}

// mounts are the running system's Volumes.
type mounts struct {
	mounter volume.Mounter
	tree    udev.Tree
}

func (m *mounts) Card(ctx context.Context, dev udev.Device) (*Opened, error) {
	disk, err := m.tree.Lookup(dev.Disk)
	if err != nil {
		return nil, err
	}
	mount, err := m.mounter.Card(ctx, dev.Node, disk.Node, dev.FSType)
	if err != nil {
		return nil, err
	}
	if mount.DiskSeq != 0 && dev.DiskSeq != 0 && mount.DiskSeq != dev.DiskSeq {
		return nil, errors.Join(offload.ErrCardChanged, mount.Unmount(ctx))
	}
	return m.opened(ctx, mount, dev, disk.Node)
}

func (m *mounts) Drive(ctx context.Context, dev udev.Device, readOnly bool) (*Opened, error) {
	disk, err := m.tree.Lookup(dev.Disk)
	if err != nil {
		return nil, err
	}
	mount, err := m.mounter.Drive(ctx, dev.Node, dev.FSType, readOnly)
	if err != nil {
		return nil, err
	}
	return m.opened(ctx, mount, dev, disk.Node)
}

func (m *mounts) opened(ctx context.Context, mount *volume.Mount, dev udev.Device, diskNode string) (*Opened, error) {
	root, err := os.OpenRoot(mount.Path)
	if err != nil {
		return nil, errors.Join(err, mount.Unmount(ctx))
	}
	disks, err := volume.Disks(mount.Path)
	if err != nil {
		root.Close()
		return nil, errors.Join(err, mount.Unmount(ctx))
	}
	return &Opened{
		Root: root, Limits: mount.Limits(), Dirty: mount.Dirty, Disks: disks,
		FS:     &offload.RootFS{Root: root, Limits: mount.Limits(), Node: dev.Node},
		Medium: &medium{tree: m.tree, disk: dev.Disk, node: diskNode, seq: dev.DiskSeq, ask: volume.CheckMedium},
		Release: func(ctx context.Context) error {
			root.Close() // nothing is written through it
			return mount.Unmount(ctx)
		},
	}, nil
}

func (m *mounts) Folder(_ context.Context, path string) (*Opened, error) {
	return openFolder(path)
}

// openFolder opens a folder of a file system that somebody else has mounted.
func openFolder(path string) (*Opened, error) {
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, err
	}
	limits, err := volume.LimitsAt(path)
	if err != nil {
		root.Close()
		return nil, err
	}
	disks, err := volume.Disks(path)
	if err != nil {
		root.Close()
		return nil, err
	}
	var real []string
	for _, d := range disks {
		if volume.IsDisk(d) {
			real = append(real, d)
		}
	}
	return &Opened{
		Root: root, Limits: limits, Disks: real,
		FS: &offload.RootFS{Root: root, Limits: limits},
		Release: func(context.Context) error {
			err := volume.SyncFS(root)
			root.Close()
			return err
		},
	}, nil
}

// medium watches one insertion of one disk.
type medium struct {
	tree udev.Tree
	disk string // kernel name
	node string
	seq  uint64
	ask  func(node string) (seq uint64, sizeBytes int64, err error) // the device itself
}

// Check implements offload.Medium by what the kernel knows.
func (m *medium) Check() error {
	seq, size, err := m.tree.DiskSeq(m.disk)
	if errors.Is(err, udev.ErrNoDiskSeq) {
		return m.judge(m.seq, size, nil)
	}
	found := m.judge(seq, size, err)
	if !errors.Is(found, offload.ErrCardChanged) {
		return found
	}
	// When a medium is pulled the kernel counts on first and takes the size
	// back later. Only a device that still opens has another one.
	if seq, size, err = m.ask(m.node); errors.Is(m.judge(seq, size, err), offload.ErrCardGone) {
		return offload.ErrCardGone
	}
	return found
}

// Confirm implements offload.Medium by asking the device.
func (m *medium) Confirm() error {
	if err := m.Check(); err != nil {
		return err
	}
	seq, size, err := m.ask(m.node)
	return m.judge(seq, size, err)
}

func (m *medium) judge(seq uint64, size int64, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, unix.ENOMEDIUM), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		return offload.ErrCardGone
	case err != nil:
		return fmt.Errorf("look at %s: %w", m.node, err)
	case size == 0:
		return offload.ErrCardGone
	case seq != m.seq:
		return offload.ErrCardChanged
	}
	return nil
}
