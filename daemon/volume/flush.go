package volume

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// SyncFile makes the file's data and size durable. After an error the file's
// bytes are lost to it for good: a second call may succeed and prove nothing.
func SyncFile(f *os.File) error {
	if err := f.Sync(); err != nil {
		return fmt.Errorf("flush: %w", err)
	}
	return nil
}

// SyncDir makes the names in the folder at path, below root, durable.
func SyncDir(root *os.Root, path string) (err error) {
	dir, err := openBeneath(root, path, unix.O_RDONLY|unix.O_DIRECTORY)
	if err != nil {
		return fmt.Errorf("flush folder: %w", err)
	}
	defer func() { err = errors.Join(err, dir.Close()) }()
	if err := dir.Sync(); err != nil {
		return fmt.Errorf("flush folder: %w", err)
	}
	return nil
}

// SyncFS writes out everything of the file system that holds root. Whether the
// device's own cache is emptied too is Limits.SyncfsFlushes; where it is not,
// call FlushDevice afterwards.
func SyncFS(root *os.Root) error {
	dir, err := root.Open(".")
	if err != nil {
		return fmt.Errorf("flush file system: %w", err)
	}
	defer dir.Close()
	if err := unix.Syncfs(int(dir.Fd())); err != nil {
		return fmt.Errorf("flush file system of %s: %w", root.Name(), err)
	}
	return nil
}

// FlushDevice makes the block device at node empty its own cache.
func FlushDevice(node string) error {
	f, err := os.Open(node)
	if err != nil {
		return fmt.Errorf("flush device: %w", err)
	}
	defer f.Close()
	if err := f.Sync(); err != nil {
		return fmt.Errorf("flush device: %w", err)
	}
	return nil
}

// Space returns the bytes that are free for use and the total bytes of the file
// system that holds root.
func Space(root *os.Root) (freeBytes, totalBytes int64, err error) {
	dir, err := root.Open(".")
	if err != nil {
		return 0, 0, fmt.Errorf("measure space: %w", err)
	}
	defer dir.Close()
	var s unix.Statfs_t
	if err := unix.Fstatfs(int(dir.Fd()), &s); err != nil {
		return 0, 0, fmt.Errorf("measure space of %s: %w", root.Name(), err)
	}
	unit := int64(s.Frsize)
	if unit == 0 {
		unit = int64(s.Bsize)
	}
	return int64(s.Bavail) * unit, int64(s.Blocks) * unit, nil
}
