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

// Flush makes everything that was written to the mount durable and empties the
// device's cache, also where syncfs(2) alone would not (FAT, NTFS). It does
// nothing on a read-only mount.
func (m *Mount) Flush() error {
	if m.ReadOnly {
		return nil
	}
	dir, err := os.Open(m.Path)
	if err != nil {
		return fmt.Errorf("flush %s: %w", m.Node, err)
	}
	defer dir.Close()
	if err := unix.Syncfs(int(dir.Fd())); err != nil {
		return fmt.Errorf("flush %s: %w", m.Node, err)
	}
	return FlushDevice(m.Node)
}

// Unmount flushes, unmounts, flushes the device once more (unmounting writes
// the mark of cleanliness) and removes the mount point. While others hold the
// mount it tries again for Mounter.BusyWait; then, or when ctx ends, the mount
// is detached, so that nothing new can reach the medium, and the error says so:
// ErrBusy, or that of ctx. A failed flush is reported, and the mount is gone
// all the same. Whatever the error, the mount must not be used afterwards.
func (m *Mount) Unmount(ctx context.Context) error {
	_, err := bounded(ctx, func() (struct{}, error) { return struct{}{}, m.unmount(ctx) }, func(struct{}) {})
	if ctx.Err() != nil && err != nil {
		// The call above may hang in a flush for as long as the device does.
		limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), detachPatience)
		defer cancel()
		_, detachErr := bounded(limit, func() (struct{}, error) { return struct{}{}, m.detach() }, func(struct{}) {})
		err = errors.Join(err, detachErr)
	}
	if err != nil {
		return fmt.Errorf("unmount %s: %w", m.Node, err)
	}
	return nil
}

func (m *Mount) unmount(ctx context.Context) error {
	flushErr := m.Flush()
	err := m.unmountPatiently(ctx)
	if errors.Is(err, unix.EBUSY) {
		return errors.Join(flushErr, ErrBusy, m.detach())
	}
	if err != nil && !errors.Is(err, unix.EINVAL) { // EINVAL: it is no longer mounted
		return errors.Join(flushErr, err)
	}
	if err := os.Remove(m.Path); err != nil && !errors.Is(err, os.ErrNotExist) {
		flushErr = errors.Join(flushErr, err)
	}
	if m.ReadOnly {
		return flushErr
	}
	return errors.Join(flushErr, FlushDevice(m.Node))
}

// unmountPatiently tries until it is no longer busy, time is up or ctx ends.
func (m *Mount) unmountPatiently(ctx context.Context) error {
	wait := m.busyWait
	if wait <= 0 {
		wait = defaultBusyWait
	}
	patience := time.NewTimer(wait)
	defer patience.Stop()
	again := time.NewTicker(busyPoll)
	defer again.Stop()
	for {
		err := unix.Unmount(m.Path, unix.UMOUNT_NOFOLLOW)
		if !errors.Is(err, unix.EBUSY) {
			return err
		}
		select {
		case <-ctx.Done():
			return errors.Join(context.Cause(ctx), err)
		case <-patience.C:
			return err
		case <-again.C:
		}
	}
}

func (m *Mount) detach() error {
	if err := Detach(m.Path); err != nil && !errors.Is(err, unix.EINVAL) && !errors.Is(err, unix.ENOENT) {
		return err
	}
	if err := os.Remove(m.Path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// discard undoes a mount that nobody will use.
func discard(m *Mount) {
	if m != nil {
		// Nobody is left to tell; Sweep removes what stays behind.
		_ = m.detach()
	}
}

// Detach takes the mount at path out of sight at once. Files that are open on
// it stay usable, and the device stays in use, until they are closed.
func Detach(path string) error {
	if err := unix.Unmount(path, unix.MNT_DETACH|unix.UMOUNT_NOFOLLOW); err != nil {
		return fmt.Errorf("detach %s: %w", path, err)
	}
	return nil
}

// Sweep removes what an earlier life left behind: mounts below Dir are
// detached, empty mount points removed. It deletes nothing else. Call it at
// start, before the first mount.
func (m Mounter) Sweep() error {
	dir, err := filepath.EvalSymlinks(m.Dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("sweep mount points: %w", err)
	}
	entries, err := mounts()
	if err != nil {
		return fmt.Errorf("sweep mount points: %w", err)
	}
	var errs []error
	for i := len(entries) - 1; i >= 0; i-- { // the newest first: it may cover an older one
		if below(entries[i].point, dir) {
			errs = append(errs, Detach(entries[i].point))
		}
	}
	points, err := filepath.Glob(filepath.Join(escapeGlob(dir), pointPrefix+"*"))
	errs = append(errs, err)
	for _, p := range points {
		errs = append(errs, os.Remove(p))
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("sweep mount points: %w", err)
	}
	return nil
}

func below(path, dir string) bool {
	return strings.HasPrefix(path, strings.TrimSuffix(dir, "/")+"/")
}

func escapeGlob(dir string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(dir)
}
