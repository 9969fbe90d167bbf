package offload

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"sort"
	"time"

	"golang.org/x/sys/unix"

	"bothy/daemon/volume"
)

// RootFS is the FS below an os.Root.
type RootFS struct {
	Root   *os.Root
	Limits volume.Limits
	// Node is the block device below, flushed where syncfs alone does not
	// reach the medium; empty for a plain folder.
	Node string
}

// List implements FS. A folder's entries are read in portions, and the listing
// is given up beyond MaxEntries.
func (r *RootFS) List(name string) ([]Item, error) {
	d, err := r.Root.Open(name)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	var items []Item
	for {
		names, err := d.Readdirnames(1024)
		for _, n := range names {
			item, err := r.Lstat(join(name, n))
			if errors.Is(err, fs.ErrNotExist) {
				continue // went away while we looked
			}
			if err != nil {
				return nil, err
			}
			items = append(items, item)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if len(items) > MaxEntries {
			return nil, fmt.Errorf("%w: more than %d entries in one folder", ErrRefused, MaxEntries)
		}
	}
	sort.Slice(items, func(i, j int) bool { return items[i].Name < items[j].Name })
	return items, nil
}

// join keeps odd names as they are; path.Join would clean them.
func join(dir, name string) string {
	if dir == "." || dir == "" {
		return name
	}
	return dir + "/" + name
}

// Lstat implements FS.
func (r *RootFS) Lstat(name string) (Item, error) {
	info, err := r.Root.Lstat(name)
	if err != nil {
		return Item{}, err
	}
	return Item{Name: info.Name(), Mode: info.Mode(), SizeBytes: info.Size(), ModTime: info.ModTime()}, nil
}

// Open implements FS: direct where that works, else through the page cache.
func (r *RootFS) Open(name string) (Source, error) {
	if f, err := volume.OpenDirect(r.Root, name); err == nil {
		return f, nil
	} else if errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	f, err := r.Root.OpenFile(name, os.O_RDONLY|unix.O_NONBLOCK|unix.O_NOFOLLOW, 0)
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("open %s: not a regular file", name)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return &cachedSource{File: f, size: info.Size()}, nil
}

type cachedSource struct {
	*os.File
	size int64
}

func (c *cachedSource) Size() int64 { return c.size }

// OpenMedium implements FS.
func (r *RootFS) OpenMedium(name string) (Source, error) {
	f, err := volume.OpenDirect(r.Root, name)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// Create implements FS.
func (r *RootFS) Create(name string) (Sink, error) {
	f, err := r.Root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL|unix.O_NOFOLLOW, 0o644)
	if err != nil {
		return nil, err
	}
	return &sink{File: f, inlineBytes: r.Limits.InlineBytes}, nil
}

// Mkdir implements FS.
func (r *RootFS) Mkdir(name string) error { return r.Root.Mkdir(name, 0o755) }

// Rename implements FS. It refuses to replace anything.
func (r *RootFS) Rename(from, to string) error {
	if _, err := r.Root.Lstat(to); err == nil {
		return fmt.Errorf("rename to %s: %w", to, fs.ErrExist)
	}
	return r.Root.Rename(from, to)
}

// Remove implements FS.
func (r *RootFS) Remove(name string) error { return r.Root.Remove(name) }

// SetModTime implements FS.
func (r *RootFS) SetModTime(name string, at time.Time) error {
	return r.Root.Chtimes(name, at, at)
}

// SyncDir implements FS.
func (r *RootFS) SyncDir(name string) error {
	d, err := r.Root.Open(name)
	if err != nil {
		return err
	}
	err = d.Sync()
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	return err
}

// SyncAll implements FS: syncfs, and a flush of the block device where syncfs
// does not send one (FAT and NTFS).
func (r *RootFS) SyncAll() error {
	d, err := r.Root.Open(".")
	if err != nil {
		return err
	}
	defer d.Close()
	if err := unix.Syncfs(int(d.Fd())); err != nil {
		return fmt.Errorf("syncfs: %w", err)
	}
	if r.Limits.SyncfsFlushes || r.Node == "" {
		return nil
	}
	return volume.FlushDevice(r.Node)
}

// sink is a file being written through the page cache, with a bounded amount
// of it unwritten.
type sink struct {
	*os.File
	written, pushed, dropped int64
	// inlineBytes: up to this size the file system may keep a file's bytes
	// within its own records, where direct reading does not reach them. Space
	// that is reserved before the first byte prevents that.
	inlineBytes int64
}

// pushStep is how much is handed to the kernel's write-out at a time; at most
// twice that is unwritten.
const pushStep = 8 << 20

func (s *sink) Write(p []byte) (int, error) {
	if s.written == 0 && s.inlineBytes > 0 {
		// Refused by some; reading back then says whether it matters.
		_ = unix.Fallocate(int(s.File.Fd()), unix.FALLOC_FL_KEEP_SIZE, 0, s.inlineBytes)
	}
	n, err := s.File.Write(p)
	s.written += int64(n)
	return n, err
}

// Push implements Sink. A file system without sync_file_range simply keeps
// more in memory until Sync.
func (s *sink) Push() error {
	if s.written-s.pushed < pushStep {
		return nil
	}
	fd := int(s.File.Fd())
	if err := unix.SyncFileRange(fd, s.pushed, s.written-s.pushed, unix.SYNC_FILE_RANGE_WRITE); err != nil {
		return ignoreUnsupported(err)
	}
	if s.pushed > s.dropped {
		const wait = unix.SYNC_FILE_RANGE_WAIT_BEFORE | unix.SYNC_FILE_RANGE_WRITE | unix.SYNC_FILE_RANGE_WAIT_AFTER
		if err := unix.SyncFileRange(fd, s.dropped, s.pushed-s.dropped, wait); err != nil {
			return ignoreUnsupported(err)
		}
		if err := unix.Fadvise(fd, s.dropped, s.pushed-s.dropped, unix.FADV_DONTNEED); err != nil {
			return ignoreUnsupported(err)
		}
		s.dropped = s.pushed
	}
	s.pushed = s.written
	return nil
}

func ignoreUnsupported(err error) error {
	if errors.Is(err, unix.ENOSYS) || errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ESPIPE) {
		return nil
	}
	return err
}
