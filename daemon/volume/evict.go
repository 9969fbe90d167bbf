package volume

import (
	"errors"
	"fmt"
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Evict drops the file's pages from the cache and shows that none is left;
// otherwise the error is ErrCached. Dirty pages cannot be dropped: the caller
// must have flushed the file before.
func Evict(f *os.File) error {
	if err := unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED); err != nil {
		return fmt.Errorf("evict %s: %w", f.Name(), err)
	}
	pages, err := Resident(f)
	if err != nil {
		return err
	}
	if pages > 0 {
		return fmt.Errorf("evict %s: %w: %d pages are held in memory", f.Name(), ErrCached, pages)
	}
	return nil
}

// Resident counts the pages of the file that are in the cache, by cachestat(2)
// where the kernel has it (Linux 6.5) and else by mincore(2).
func Resident(f *os.File) (pages int64, err error) {
	pages, err = cachestat(int(f.Fd()))
	if errors.Is(err, unix.ENOSYS) || errors.Is(err, unix.EPERM) || errors.Is(err, unix.EOPNOTSUPP) {
		pages, err = mincore(f)
	}
	if err != nil {
		return 0, fmt.Errorf("count cached pages of %s: %w", f.Name(), err)
	}
	return pages, nil
}

func cachestat(fd int) (int64, error) {
	span := struct{ offset, length uint64 }{} // length 0: to the end
	var got struct{ cached, dirty, writeback, evicted, recentlyEvicted uint64 }
	_, _, errno := unix.Syscall6(unix.SYS_CACHESTAT, uintptr(fd),
		uintptr(unsafe.Pointer(&span)), uintptr(unsafe.Pointer(&got)), 0, 0, 0)
	if errno != 0 {
		return 0, errno
	}
	return int64(got.cached), nil
}

// mincoreSpan bounds one mapping, so that the answer's buffer (one byte a page)
// does not grow with the file.
const mincoreSpan = 1 << 30

func mincore(f *os.File) (int64, error) {
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	var pages int64
	for off := int64(0); off < info.Size(); off += mincoreSpan {
		n, err := mincoreRange(int(f.Fd()), off, int(min(mincoreSpan, info.Size()-off)))
		if err != nil {
			return 0, err
		}
		pages += n
	}
	return pages, nil
}

func mincoreRange(fd int, off int64, length int) (pages int64, err error) {
	mapping, err := unix.Mmap(fd, off, length, unix.PROT_READ, unix.MAP_SHARED)
	if err != nil {
		return 0, fmt.Errorf("map: %w", err)
	}
	defer func() { err = errors.Join(err, unix.Munmap(mapping)) }()
	vec := make([]byte, roundUp(length, os.Getpagesize())/os.Getpagesize())
	_, _, errno := unix.Syscall(unix.SYS_MINCORE, uintptr(unsafe.Pointer(&mapping[0])), uintptr(length), uintptr(unsafe.Pointer(&vec[0])))
	if errno != 0 {
		return 0, fmt.Errorf("mincore: %w", errno)
	}
	for _, b := range vec {
		pages += int64(b & 1)
	}
	return pages, nil
}

const (
	fiemapRequest  = 0xC020660B // FS_IOC_FIEMAP, linux/fs.h
	extentInline   = 0x200      // FIEMAP_EXTENT_DATA_INLINE, linux/fiemap.h
	maxFiemapCount = 32
)

type fiemapExtent struct {
	logical, physical, length uint64
	_                         [2]uint64
	flags                     uint32
	_                         [3]uint32
}

type fiemap struct {
	start, length        uint64
	flags, mapped, count uint32
	_                    uint32
	extents              [maxFiemapCount]fiemapExtent
}

// checkNotInline refuses a file whose bytes are part of the file system's own
// records: direct reads of it are answered from those records in memory.
func checkNotInline(f *os.File, size int64, l Limits) error {
	if l.InlineBytes == 0 || size == 0 || size > 64<<10 {
		return nil
	}
	m := fiemap{length: ^uint64(0), count: maxFiemapCount}
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), fiemapRequest, uintptr(unsafe.Pointer(&m)))
	if errno != 0 {
		return fmt.Errorf("%w: where its bytes are stored is not known: %w", ErrCached, errno)
	}
	for i := range min(m.mapped, maxFiemapCount) {
		if m.extents[i].flags&extentInline != 0 {
			return fmt.Errorf("%w: its bytes are stored inside the file system's own records", ErrCached)
		}
	}
	return nil
}
