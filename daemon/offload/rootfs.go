package offload

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"sort"
	"strings"
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
	fd := int(d.Fd())
	for {
		names, err := d.Readdirnames(1024)
		for _, n := range names {
			item, err := lstatIn(fd, n)
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

// lstatIn describes an entry of an open folder, without walking to it again. A
// name that would lead elsewhere is none; kernels refuse to list such (since
// Linux 5.5, verify_dirent_name), but what was listed is hostile input.
func lstatIn(folder int, name string) (Item, error) {
	if name == "" || name == "." || name == ".." || strings.ContainsRune(name, '/') {
		return Item{}, fmt.Errorf("%w: an entry is called %q, which no file can be", ErrRefused, name)
	}
	var st unix.Stat_t
	if err := unix.Fstatat(folder, name, &st, unix.AT_SYMLINK_NOFOLLOW); err != nil {
		return Item{}, &os.PathError{Op: "lstat", Path: name, Err: err}
	}
	return Item{Name: name, Mode: modeOf(st.Mode), SizeBytes: st.Size, ModTime: time.Unix(st.Mtim.Unix())}, nil
}

// modeOf turns the kernel's type and permission bits into Go's.
func modeOf(mode uint32) fs.FileMode {
	m := fs.FileMode(mode & 0o777)
	switch mode & unix.S_IFMT {
	case unix.S_IFREG:
	case unix.S_IFDIR:
		m |= fs.ModeDir
	case unix.S_IFLNK:
		m |= fs.ModeSymlink
	case unix.S_IFIFO:
		m |= fs.ModeNamedPipe
	case unix.S_IFSOCK:
		m |= fs.ModeSocket
	case unix.S_IFBLK:
		m |= fs.ModeDevice
	case unix.S_IFCHR:
		m |= fs.ModeDevice | fs.ModeCharDevice
	default:
		m |= fs.ModeIrregular
	}
	return m
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

// OpenGrowing implements FS.
func (r *RootFS) OpenGrowing(name string) (Source, error) {
	f, err := volume.OpenGrowing(r.Root, name)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// CreatePatchwork implements FS.
func (r *RootFS) CreatePatchwork(name string) (Patchwork, error) {
	f, err := volume.CreateFile(r.Root, name)
	if err != nil {
		return nil, err
	}
	return f, nil
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
