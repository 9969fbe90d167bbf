package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/volume"
	"bothy/udev"
)

// call stands before every call into a medium.
func (l *seedLife) call(at *stay, op, name string) error {
	if l.dead.Load() {
		return errDead
	}
	l.w.happens(op, at)
	if l.dead.Load() {
		return errDead
	}
	if at.drive != nil {
		if err := at.drive.meet(l, op); err != nil {
			return err
		}
	} else if at.card.badly[int(pick(l.w.seed, "bad", at.seq, op, name)%64)] && op == "read" && !at.healed() {
		l.w.saw("a card was read badly")
		return syscall.EIO
	}
	if l.dead.Load() {
		return errDead
	}
	return at.answers(op)
}

// healed: nothing is wrong with media any more.
func (st *stay) healed() bool {
	select {
	case <-st.w.calm:
		return true
	default:
		return false
	}
}

// answers says what a medium that is out does with a call.
func (st *stay) answers(op string) error {
	st.w.mu.Lock()
	defer st.w.mu.Unlock()
	switch {
	case !st.out, st.after != nil:
		return nil
	case st.drive != nil && st.drive.deaf && op != "sync" && op != "readback" && op != "mount":
		return nil
	case op == "sync" && time.Since(st.outAt) < st.lag:
		return syscall.EIO
	case op == "sync":
		return syscall.ENODEV
	}
	return syscall.EIO
}

// Check implements offload.Medium: what the kernel knows by now.
func (st *stay) Check() error {
	st.w.mu.Lock()
	defer st.w.mu.Unlock()
	if st.known() {
		return nil
	}
	return st.goneLocked()
}

// Confirm asks the device.
func (st *stay) Confirm() error {
	st.w.mu.Lock()
	defer st.w.mu.Unlock()
	if !st.out {
		return nil
	}
	return st.goneLocked()
}

func (st *stay) goneLocked() error {
	if st.after != nil && !st.after.out {
		return offload.ErrCardChanged
	}
	return offload.ErrCardGone
}

// Watch implements udev.Source.
func (l *seedLife) Watch(ctx context.Context, out chan<- udev.Snapshot) error {
	for n := uint64(1); ; n++ {
		l.w.mu.Lock()
		snap := udev.Snapshot{Events: n, Rescans: n, Devices: l.w.listLocked()}
		l.w.mu.Unlock()
		select {
		case out <- snap:
		case <-ctx.Done():
			return ctx.Err()
		}
		select {
		case <-l.news:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (l *seedLife) stayOf(dev udev.Device) (*stay, error) {
	l.w.mu.Lock()
	defer l.w.mu.Unlock()
	for _, st := range l.w.stays {
		if st.boot == l.w.boot && st.name == dev.Name && st.seq == dev.DiskSeq && !st.out {
			return st, nil
		}
	}
	return nil, &fs.PathError{Op: "open", Path: dev.Node, Err: fs.ErrNotExist}
}

// Card implements Volumes.
func (l *seedLife) Card(ctx context.Context, dev udev.Device) (*Opened, error) {
	st, err := l.stayOf(dev)
	if err != nil {
		return nil, err
	}
	if st.card == nil {
		return nil, errors.New("a drive was to be opened as a card")
	}
	if err := errors.Join(l.call(st, "mount", ""), ctx.Err()); err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(filepath.Join(l.w.base, "empty"))
	if err != nil {
		return nil, err
	}
	return l.mounted(&Opened{Root: root, FS: &cardFS{st, l}, Medium: st, Disks: []string{st.disk}}, st, func() error { return nil }), nil
}

// Drive implements Volumes.
func (l *seedLife) Drive(ctx context.Context, dev udev.Device, readOnly bool) (*Opened, error) {
	st, err := l.stayOf(dev)
	if err != nil {
		return nil, err
	}
	if st.drive == nil {
		return nil, errors.New("a card was to be opened as a drive")
	}
	if st.drive.readOnly && !readOnly {
		return nil, fmt.Errorf("%w", volume.ErrReadOnly)
	}
	if err := errors.Join(l.call(st, "mount", ""), ctx.Err()); err != nil {
		return nil, err
	}
	f := &driveFS{at: st, life: l}
	l.w.mu.Lock()
	if f.store = st.drive.store; l.dead.Load() || st.out {
		f.store = nil // what is left on it is the next one's
	}
	dir := l.w.folderLocked("drive")
	l.w.mu.Unlock()
	if f.store == nil {
		return nil, errDead
	}
	if err := f.mount(dir); err != nil {
		return nil, err
	}
	limits := volume.Limits{FSType: "invented", SyncfsFlushes: st.drive.n%2 == 0}
	return l.mounted(&Opened{Root: f.root, FS: f, Limits: limits, Medium: st, Disks: []string{st.disk}, Space: f.space}, st, f.SyncAll), nil
}

// Folder implements Volumes; no policy here names one.
func (l *seedLife) Folder(context.Context, string) (*Opened, error) { return nil, fs.ErrNotExist }

// mounted counts what is open.
func (l *seedLife) mounted(o *Opened, st *stay, flush func() error) *Opened {
	l.w.mu.Lock()
	if !l.dead.Load() {
		st.mounts++
	}
	l.w.mu.Unlock()
	o.Release = func(context.Context) error {
		err := errors.Join(flush(), o.Root.Close())
		l.w.mu.Lock()
		if !l.dead.Load() {
			st.mounts--
		}
		l.w.mu.Unlock()
		return err
	}
	return o
}
