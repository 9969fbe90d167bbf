package volume

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Mounter mounts media at private mount points: each one a fresh folder with an
// invented name, below a folder that only its owner may enter.
type Mounter struct {
	// Dir holds the mount points and nothing else; it is made, with mode 0700,
	// when it is missing.
	Dir string
	// BusyWait is how long Unmount waits for others to let go; 0 means 2 s.
	BusyWait time.Duration
}

// Mount is one mounted medium.
type Mount struct {
	Path     string // the mount point
	Node     string // the device that was mounted
	DiskNode string // its whole disk, for a card; "" for a drive
	FSType   string // the kernel's name
	ReadOnly bool
	// Dirty: the card was not cleanly unmounted. What its journal holds is not
	// shown, so files that were written last may be missing.
	Dirty bool
	// DiskSeq is the insertion that was mounted, for a card. Whoever reads from
	// the mount compares it with CheckMedium before claiming anything.
	DiskSeq uint64

	busyWait time.Duration
}

// Limits says what the mounted file system can hold.
func (m *Mount) Limits() Limits { return LimitsOf(m.FSType) }

const (
	pointPrefix     = "m-"
	defaultBusyWait = 2 * time.Second
	busyPoll        = 20 * time.Millisecond
	detachPatience  = time.Second
	safeFlags       = unix.MS_NODEV | unix.MS_NOSUID | unix.MS_NOEXEC | unix.MS_NOATIME | unix.MS_NOSYMFOLLOW
)

// Card mounts the file system at node, which lies on the whole disk at
// diskNode, so that nothing is written to it: the disk is made read-only first,
// and the mount fails unless that can be seen to hold before and after. fsType
// is blkid's name.
//
// When ctx ends while the kernel hangs, Card returns; should the mount succeed
// later, it is undone.
func (m Mounter) Card(ctx context.Context, node, diskNode, fsType string) (*Mount, error) {
	mount, err := bounded(ctx, func() (*Mount, error) { return m.card(node, diskNode, fsType) }, discard)
	if err != nil {
		return nil, fmt.Errorf("mount card %s: %w", node, err)
	}
	return mount, nil
}

// Drive mounts the file system at node for writing, or only for reading when
// readOnly is set. A medium that turns out to be read-only gives ErrReadOnly.
// For ctx, see Card.
func (m Mounter) Drive(ctx context.Context, node, fsType string, readOnly bool) (*Mount, error) {
	mount, err := bounded(ctx, func() (*Mount, error) { return m.drive(node, fsType, readOnly) }, discard)
	if err != nil {
		return nil, fmt.Errorf("mount drive %s: %w", node, err)
	}
	return mount, nil
}

func (m Mounter) card(node, diskNode, fsType string) (*Mount, error) {
	d, err := driverOf(fsType)
	if err != nil {
		return nil, err
	}
	diskseq, _, err := CheckMedium(diskNode)
	if err != nil {
		return nil, err
	}
	if err := closeGate(node, diskNode); err != nil {
		return nil, err
	}
	dirty, err := dirtyMark(node, d.kernelName)
	if err != nil {
		return nil, fmt.Errorf("look whether it was cleanly unmounted: %w", err)
	}
	if d.probe {
		refused, err := m.probeDirty(node, d)
		if err != nil {
			return nil, err
		}
		dirty = dirty || refused
	}
	mount, err := m.attach(node, d, d.card, true)
	if err != nil {
		return nil, err
	}
	mount.DiskNode, mount.DiskSeq, mount.Dirty = diskNode, diskseq, dirty
	if err := mount.checkCard(); err != nil {
		return nil, errors.Join(err, mount.detach())
	}
	return mount, nil
}

// closeGate makes the disk read-only and sees to it that node, which may be one
// of its partitions, is covered.
func closeGate(node, diskNode string) error {
	if err := SetReadOnly(diskNode); err != nil {
		return err
	}
	ro, err := ReadOnly(node)
	if err != nil {
		return err
	}
	if !ro {
		return fmt.Errorf("%s: %w", node, ErrNotReadOnly)
	}
	return nil
}

// probeDirty reports whether a plain read-only mount is refused, which on a
// read-only device it is when the log would have to be replayed. Nothing is
// written either way. An error is that it cannot be let go again.
func (m Mounter) probeDirty(node string, d driver) (refused bool, err error) {
	plain := strings.TrimPrefix(d.card, "norecovery,")
	mount, err := m.attach(node, d, plain, true)
	if err != nil {
		return true, nil
	}
	return false, mount.detach()
}

// checkCard looks again after the mount: a medium that was swapped meanwhile
// has another diskseq, and a disk that was replugged an open gate.
func (m *Mount) checkCard() error {
	diskseq, _, err := CheckMedium(m.DiskNode)
	if err != nil {
		return err
	}
	if diskseq != m.DiskSeq {
		return ErrMediumChanged
	}
	for _, node := range []string{m.Node, m.DiskNode} {
		if ro, err := ReadOnly(node); err != nil {
			return err
		} else if !ro {
			return fmt.Errorf("%s: %w", node, ErrNotReadOnly)
		}
	}
	return nil
}

func (m Mounter) drive(node, fsType string, readOnly bool) (*Mount, error) {
	d, err := driverOf(fsType)
	if err != nil {
		return nil, err
	}
	if cardOnly[fsType] {
		return nil, fmt.Errorf("%w: %s on a drive", ErrUnsupported, d.spoken)
	}
	return m.attach(node, d, d.drive, readOnly)
}

// attach mounts at a fresh mount point and checks what came of it.
func (m Mounter) attach(node string, d driver, options string, readOnly bool) (*Mount, error) {
	if f, err := openDevice(node); err != nil { // wakes a medium, and refuses what is no block device
		return nil, err
	} else if err := f.Close(); err != nil {
		return nil, err
	}
	point, err := m.newPoint()
	if err != nil {
		return nil, err
	}
	flags := uintptr(safeFlags)
	if readOnly {
		flags |= unix.MS_RDONLY
	}
	if err := unix.Mount(node, point, d.kernelName, flags, options); err != nil {
		return nil, errors.Join(d.explain(err, !readOnly), os.Remove(point))
	}
	mount := &Mount{Path: point, Node: node, FSType: d.kernelName, ReadOnly: readOnly, busyWait: m.BusyWait}
	if err := mount.checkAttached(); err != nil {
		return nil, errors.Join(err, mount.detach())
	}
	return mount, nil
}

func (m Mounter) newPoint() (string, error) {
	if err := os.MkdirAll(m.Dir, 0o700); err != nil {
		return "", fmt.Errorf("make mount point: %w", err)
	}
	dir, err := filepath.EvalSymlinks(m.Dir)
	if err != nil {
		return "", fmt.Errorf("make mount point: %w", err)
	}
	point, err := os.MkdirTemp(dir, pointPrefix) // mode 0700
	if err != nil {
		return "", fmt.Errorf("make mount point: %w", err)
	}
	return point, nil
}

// checkAttached makes sure that the mount is what was asked for: the right
// device (an image of a Btrfs that is mounted already may give the other one)
// and writable or not.
func (m *Mount) checkAttached() error {
	if err := m.checkDevice(); err != nil {
		return err
	}
	var s unix.Statfs_t
	if err := unix.Statfs(m.Path, &s); err != nil {
		return fmt.Errorf("look at the mount: %w", err)
	}
	ro := s.Flags&unix.ST_RDONLY != 0
	switch {
	case ro && !m.ReadOnly:
		return ErrReadOnly
	case !ro && m.ReadOnly:
		return ErrNotReadOnly
	}
	return nil
}

func (m *Mount) checkDevice() error {
	var node, root unix.Stat_t
	if err := unix.Stat(m.Node, &node); err != nil {
		return fmt.Errorf("look at the device: %w", err)
	}
	if m.FSType == "btrfs" {
		return hostSys.checkOnlyBtrfsDevice(m.Path, uint64(node.Rdev))
	}
	if err := unix.Stat(m.Path, &root); err != nil {
		return fmt.Errorf("look at the mount: %w", err)
	}
	if node.Rdev != root.Dev {
		return fmt.Errorf("%w: the mount shows another device", ErrMediumChanged)
	}
	return nil
}

// bounded runs a call that may hang in the kernel. When ctx ends first, the
// call is left behind, because nothing can interrupt it: its goroutine is the
// one kind in this package that nobody waits for, and it ends when the kernel
// lets go. late then disposes of a result that nobody is there to receive.
func bounded[T any](ctx context.Context, call func() (T, error), late func(T)) (T, error) {
	type result struct {
		value T
		err   error
	}
	done := make(chan result) // unbuffered: either it is received or late is called
	go func() {
		value, err := call()
		select {
		case done <- result{value, err}:
		case <-ctx.Done():
			if err == nil {
				late(value)
			}
		}
	}()
	select {
	case r := <-done:
		return r.value, r.err
	case <-ctx.Done():
		var none T
		return none, context.Cause(ctx)
	}
}
