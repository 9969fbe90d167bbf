package offload

import (
	"errors"
	"fmt"
	"os"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"bothy/daemon/volume"
)

// directBytes: a smaller file is written through the page cache, which brings
// many of them to the medium in one go.
const directBytes = 2 << 20

// Create implements FS.
func (r *RootFS) Create(name string, sizeBytes int64) (Sink, error) {
	f, err := volume.CreateFile(r.Root, name)
	if err != nil {
		return nil, err
	}
	s := &sink{File: f, fd: int(f.Fd()), inlineBytes: r.Limits.InlineBytes}
	if !r.Limits.WritesDirect || sizeBytes < directBytes {
		return s, nil
	}
	// With its final length from the start, reading the front back and writing
	// on do not wait for one another. Where that is refused the file grows.
	err = unix.Fallocate(s.fd, 0, 0, sizeBytes)
	if errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) || errors.Is(err, unix.EIO) {
		f.Close()
		return nil, errors.Join(&os.PathError{Op: "allocate", Path: name, Err: err}, r.Root.Remove(name))
	}
	s.direct = volume.TakesDirect(s.fd) && s.setDirect(true) == nil
	return s, nil
}

// sink is a file being written: past the page cache, or through it with a
// bounded amount of it unwritten.
type sink struct {
	*os.File
	fd                       int
	direct                   bool
	written, pushed, dropped int64
	// inlineBytes: up to this size the file system may keep a file's bytes
	// within its own records, where direct reading does not reach them. Space
	// that is reserved before the first byte prevents that.
	inlineBytes int64
}

// pushStep is how much is handed to the kernel's write-out at a time; at most
// twice that is unwritten.
const pushStep = 8 << 20

// pushLast: the end of a file is handed over when it has this many bytes. The
// flush of its group then finds it written; smaller ones it brings together.
const pushLast = 128 << 10

// Write implements Sink. Directly go whole blocks; the end of a file that has
// none goes through the cache, and so does all that follows.
func (s *sink) Write(p []byte) (n int, err error) {
	if s.direct {
		whole := len(p) / volume.Alignment * volume.Alignment
		n, err = s.File.Write(p[:whole])
		s.written += int64(n)
		if err != nil && !errors.Is(err, unix.EINVAL) {
			return n, err
		}
		if n == len(p) {
			return n, nil
		}
		if err = s.setDirect(false); err != nil {
			return n, err
		}
		s.direct = false
		s.pushed, s.dropped = s.written, s.written
	} else if s.written == 0 && s.inlineBytes > 0 {
		// Refused by some; reading back then says whether it matters.
		_ = unix.Fallocate(s.fd, unix.FALLOC_FL_KEEP_SIZE, 0, s.inlineBytes)
	}
	m, err := s.File.Write(p[n:])
	s.written += int64(m)
	return n + m, err
}

// setDirect switches direct I/O on or off. A file system that lacks it refuses,
// here or at the first write.
func (s *sink) setDirect(on bool) error {
	flags, err := unix.FcntlInt(uintptr(s.fd), unix.F_GETFL, 0)
	if err != nil {
		return err
	}
	flags &^= unix.O_DIRECT
	if on {
		flags |= unix.O_DIRECT
	}
	_, err = unix.FcntlInt(uintptr(s.fd), unix.F_SETFL, flags)
	return err
}

// SetModTime implements Sink.
func (s *sink) SetModTime(at time.Time) error {
	times := [2]unix.Timespec{{Nsec: unix.UTIME_OMIT}, {}}
	var err error
	if times[1], err = unix.TimeToTimespec(at); err != nil {
		return fmt.Errorf("time %s: %w", at, err)
	}
	// Without a name, utimensat(2) is about the open file.
	_, _, errno := unix.Syscall6(unix.SYS_UTIMENSAT, uintptr(s.fd), 0, uintptr(unsafe.Pointer(&times)), 0, 0, 0)
	if errno != 0 {
		return &os.PathError{Op: "set time", Path: s.Name(), Err: errno}
	}
	return nil
}

// Push implements Sink. A file system without sync_file_range simply keeps
// more in memory until Sync.
func (s *sink) Push(last bool) error {
	step := int64(pushStep)
	if last {
		step = pushLast
	}
	if s.direct || s.written-s.pushed < step {
		return nil
	}
	fd := s.fd
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
