package volume

import (
	"errors"
	"fmt"
	"io"
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Alignment, in bytes, that memory, offset and length of a direct read must
// have here. 512 would do on most disks; 4096 does on those with 4 KiB sectors
// too and is what the checksum samples use.
const Alignment = 4096

// SectorBytes is the smallest part of a file that ReadSector reads.
const SectorBytes = 512

// bounceBytes is the size of the aligned buffer for callers without one.
const bounceBytes = 256 << 10

// AlignedBuffer returns n bytes whose first one is aligned to [Alignment].
func AlignedBuffer(n int) []byte {
	if n <= 0 {
		return nil
	}
	raw := make([]byte, n+Alignment)
	skip := 0
	if r := int(uintptr(unsafe.Pointer(&raw[0])) % Alignment); r != 0 {
		skip = Alignment - r
	}
	return raw[skip : skip+n : skip+n]
}

// Method says how a DirectFile gets past the page cache.
type Method string

// The methods, best first.
const (
	// Direct: reads bypass the cache (O_DIRECT).
	Direct Method = "direct"
	// Evicted: the cache was shown to hold nothing of the file when it was
	// opened; a byte that is read twice comes from the cache the second time.
	Evicted Method = "evicted"
	// Unbacked: there is no medium on this machine to read from (memory,
	// network, stacked); reads are as direct as that allows. Whether such a
	// copy may count is for the caller to say: see OnDisk.
	Unbacked Method = "unbacked"
)

// DirectFile reads a file from its medium. It is an io.Reader, io.ReaderAt and
// io.Closer for one goroutine at a time.
type DirectFile struct {
	file   *os.File
	fd     int // asking the file for it costs system calls
	method Method
	size   int64
	align  int
	pos    int64
	bounce []byte
}

// Method says how the cache is got past.
func (d *DirectFile) Method() Method { return d.method }

// Size is the file's length in bytes when it was opened.
func (d *DirectFile) Size() int64 { return d.size }

// Stat describes the open file.
func (d *DirectFile) Stat() (os.FileInfo, error) { return d.file.Stat() }

// Close closes the file.
func (d *DirectFile) Close() error { return d.file.Close() }

// ReadAt reads from the medium. With a buffer from AlignedBuffer, an aligned
// offset and an aligned length, there is no copying; otherwise an inner buffer
// is used. At the end it returns what there is and io.EOF.
func (d *DirectFile) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("read %s: negative offset", d.file.Name())
	}
	done := 0
	for done < len(p) {
		n, err := d.readOnce(p[done:], off+int64(done))
		done += n
		if err != nil {
			return done, err
		}
		if done < len(p) && (off+int64(done))%int64(d.align) != 0 && off%int64(d.align) == 0 {
			return done, io.EOF // only a file's end is no whole block
		}
	}
	return done, nil
}

// ReadSector reads into p, whose length and offset are multiples of SectorBytes
// and whose memory is aligned, without rounding anything up: on a medium with
// sectors of that size a bad one does not take its neighbours along. Where the
// file cannot be read so finely the error is ErrCached.
func (d *DirectFile) ReadSector(p []byte, off int64) (int, error) {
	if d.method == Evicted {
		return 0, fmt.Errorf("read %s: %w: the cache reads whole pages", d.file.Name(), ErrCached)
	}
	return d.pread(p, off)
}

// Read reads the next bytes in order.
func (d *DirectFile) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	n, err := d.readOnce(p, d.pos)
	d.pos += int64(n)
	return n, err
}

// readOnce does one system call; it returns n > 0 or an error.
func (d *DirectFile) readOnce(p []byte, off int64) (int, error) {
	if d.method == Evicted || d.alignedTo(p, off) {
		return d.pread(p, off)
	}
	if d.bounce == nil {
		d.bounce = AlignedBuffer(bounceBytes)
	}
	skip := int(off % int64(d.align))
	want := min(roundUp(skip+len(p), d.align), len(d.bounce))
	n, err := d.pread(d.bounce[:want], off-int64(skip))
	if err != nil {
		return 0, err
	}
	if n <= skip {
		return 0, io.EOF
	}
	return copy(p, d.bounce[skip:n]), nil
}

func (d *DirectFile) alignedTo(p []byte, off int64) bool {
	a := uintptr(d.align)
	return off%int64(a) == 0 && uintptr(len(p))%a == 0 && uintptr(unsafe.Pointer(&p[0]))%a == 0
}

func (d *DirectFile) pread(p []byte, off int64) (int, error) {
	for {
		n, err := unix.Pread(d.fd, p, off)
		switch {
		case err == unix.EINTR:
			continue
		case err == unix.EINVAL && d.method == Direct:
			return 0, fmt.Errorf("read %s: %w: direct reading is refused", d.file.Name(), ErrCached)
		case err != nil:
			return 0, &os.PathError{Op: "read", Path: d.file.Name(), Err: err}
		case n == 0:
			return 0, io.EOF
		}
		return n, nil
	}
}

func roundUp(n, to int) int { return (n + to - 1) / to * to }

// OpenDirect opens a regular file below root for reading from the medium. The
// path is slash-separated and relative; no symbolic link in it is followed and
// no mount point crossed.
//
// Durability is the caller's: the file must have been flushed (SyncFile, or
// SyncFS for a group) before. OpenDirect writes out dirty pages, which is no
// flush, drops the file's pages from the cache, and opens with O_DIRECT. Where
// that is refused it shows that no page is left in the cache and reads through
// it. Where neither can be done, or where the bytes live inside the file
// system's own records (small files on Btrfs or NTFS), the error is ErrCached.
func OpenDirect(root *os.Root, path string) (*DirectFile, error) {
	f, err := openFile(root, path, unix.O_RDONLY)
	if err != nil {
		return nil, err
	}
	d, err := prepareDirect(f)
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("open %s past the cache: %w", path, err)
	}
	return d, nil
}

// OpenGrowing opens a regular file for reading from the medium while it is still
// being written. What was flushed of it, and no more, may be read. It fails with
// ErrCached where that takes more than direct I/O: see Limits.ReadsWhileWritten.
func OpenGrowing(root *os.Root, path string) (*DirectFile, error) {
	f, err := openFile(root, path, unix.O_RDONLY)
	if err != nil {
		return nil, err
	}
	d, err := prepareGrowing(f)
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("open %s past the cache: %w", path, err)
	}
	return d, nil
}

func prepareGrowing(f *os.File) (*DirectFile, error) {
	d, fsType, err := describe(f)
	if err != nil || d.method == Unbacked {
		return d, err
	}
	if !LimitsOf(fsType).ReadsWhileWritten {
		return nil, fmt.Errorf("%w: a file that grows cannot be told to be read from the medium here", ErrCached)
	}
	if err := setDirect(d.fd); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrCached, err)
	}
	return d, nil
}

// describe is what both ways of opening need to know of a file. Its method is
// Unbacked, or Direct until somebody finds that it is not.
func describe(f *os.File) (d *DirectFile, fsType string, err error) {
	d = &DirectFile{file: f, fd: int(f.Fd()), method: Direct}
	var st unix.Stat_t
	if err := unix.Fstat(d.fd, &st); err != nil {
		return nil, "", err
	}
	var sfs unix.Statfs_t
	if err := unix.Fstatfs(d.fd, &sfs); err != nil {
		return nil, "", err
	}
	d.size, fsType = st.Size, typeByMagic(int64(sfs.Type))
	if unbacked(fsType) {
		d.method = Unbacked
	}
	if d.align, err = directAlign(d.fd); err != nil {
		d.align = Alignment // setDirect says so again where it matters
	}
	return d, fsType, nil
}

func prepareDirect(f *os.File) (*DirectFile, error) {
	d, fsType, err := describe(f)
	if err != nil || d.method == Unbacked {
		return d, err
	}
	limits := LimitsOf(fsType)
	if !limits.DirectReadsMedium {
		return nil, fmt.Errorf("%w: nothing is known of the layers below this file system", ErrCached)
	}
	if err := unix.SyncFileRange(d.fd, 0, 0, unix.SYNC_FILE_RANGE_WAIT_BEFORE|unix.SYNC_FILE_RANGE_WRITE|unix.SYNC_FILE_RANGE_WAIT_AFTER); err != nil {
		return nil, fmt.Errorf("write out: %w", err)
	}
	if err := checkNotInline(f, d.size, limits); err != nil {
		return nil, err
	}
	evictErr := Evict(f)
	if err := setDirect(d.fd); err != nil {
		d.method = Evicted
	}
	// Btrfs serves compressed extents through the cache even when asked for
	// direct I/O, so there both must hold.
	if (d.method == Evicted || fsType == "btrfs") && evictErr != nil {
		return nil, evictErr
	}
	return d, nil
}

// unbacked reports whether there is no medium on this machine below the type.
func unbacked(fsType string) bool {
	switch fsType {
	case "tmpfs", "ramfs", "nfs", "cifs", "overlay":
		return true
	}
	return false
}

// setDirect asks for direct I/O. Some file systems take the flag and then serve
// a file through the cache all the same (ext4 with data=journal, or encrypted);
// statx(2) tells which.
func setDirect(fd int) error {
	if _, err := directAlign(fd); err != nil {
		return err
	}
	flags, err := unix.FcntlInt(uintptr(fd), unix.F_GETFL, 0)
	if err != nil {
		return err
	}
	_, err = unix.FcntlInt(uintptr(fd), unix.F_SETFL, flags|unix.O_DIRECT)
	return err
}

// TakesDirect reports whether direct I/O on an open file is what it says, as far
// as the file system tells.
func TakesDirect(fd int) bool {
	_, err := directAlign(fd)
	return err == nil
}

// directAlign is the alignment for direct reading, at least Alignment; more
// only where statx(2) asks for it. The error is that the file takes no direct
// I/O at all.
func directAlign(fd int) (int, error) {
	var st unix.Statx_t
	err := unix.Statx(fd, "", unix.AT_EMPTY_PATH, unix.STATX_DIOALIGN, &st)
	if err != nil || st.Mask&unix.STATX_DIOALIGN == 0 {
		return Alignment, nil // an older kernel, or a file system that does not tell
	}
	if st.Dio_offset_align == 0 {
		return 0, errNoDirect
	}
	align := max(Alignment, int(st.Dio_mem_align), int(st.Dio_offset_align))
	if align > bounceBytes || align%Alignment != 0 {
		return Alignment, nil
	}
	return align, nil
}

var errNoDirect = errors.New("the file takes no direct I/O")

// openFile opens a regular file below root. It does not wait (a fifo without a
// writer would otherwise hang it), follows no link and crosses no mount.
func openFile(root *os.Root, path string, flags uint64) (*os.File, error) {
	f, err := openBeneath(root, path, flags|unix.O_NONBLOCK)
	if err != nil {
		return nil, err
	}
	var st unix.Stat_t
	if err := unix.Fstat(int(f.Fd()), &st); err != nil {
		f.Close()
		return nil, &os.PathError{Op: "stat", Path: path, Err: err}
	}
	if st.Mode&unix.S_IFMT != unix.S_IFREG {
		f.Close()
		return nil, &os.PathError{Op: "open", Path: path, Err: errNotRegular}
	}
	return f, nil
}

var errNotRegular = errors.New("it is not a regular file")

func openBeneath(root *os.Root, path string, flags uint64) (*os.File, error) {
	dir, err := root.Open(".")
	if err != nil {
		return nil, err
	}
	defer dir.Close()
	how := unix.OpenHow{
		Flags: flags | unix.O_CLOEXEC | unix.O_NOFOLLOW | unix.O_NOCTTY,
		Resolve: unix.RESOLVE_BENEATH | unix.RESOLVE_NO_SYMLINKS |
			unix.RESOLVE_NO_MAGICLINKS | unix.RESOLVE_NO_XDEV,
	}
	if flags&unix.O_CREAT != 0 {
		how.Mode = 0o644
	}
	for {
		fd, err := unix.Openat2(int(dir.Fd()), path, &how)
		if err == unix.EINTR || err == unix.EAGAIN { // EAGAIN: a rename elsewhere raced with the walk
			continue
		}
		if err != nil {
			return nil, &os.PathError{Op: "open", Path: path, Err: err}
		}
		if flags&unix.O_NONBLOCK != 0 {
			// It was for opening only; what comes now is a file that never waits.
			if err := unix.SetNonblock(fd, false); err != nil {
				unix.Close(fd)
				return nil, &os.PathError{Op: "open", Path: path, Err: err}
			}
		}
		return os.NewFile(uintptr(fd), path), nil
	}
}

// CreateFile makes a new regular file below root for writing, by the same rules
// as OpenDirect: no link is followed and no mount crossed. An error is
// fs.ErrExist when the name is taken.
func CreateFile(root *os.Root, path string) (*os.File, error) {
	return openBeneath(root, path, unix.O_WRONLY|unix.O_CREAT|unix.O_EXCL)
}
