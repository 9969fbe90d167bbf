//go:build linux && amd64

package tracer

import "golang.org/x/sys/unix"

// Kind says what a call does, as far as faults differ by it.
type Kind int

// Kinds of calls.
const (
	Look  Kind = iota // asks for something, changes nothing
	Read              // a file's bytes
	Write             // a file's bytes; takes room
	Make              // a name that was not there; takes room
	Alter             // a name, a length or a time
	Flush
	Close
)

// shape says where in a call's arguments its file is: by the position of a
// descriptor, of a path, or of a path in a folder given by a descriptor; -1 is
// nowhere. count is where the number of bytes is.
type shape struct {
	name            string
	kind            Kind
	fd, path        int
	toFD, toPath    int // the other name, of a rename or a link
	count           int
	createsIfAsked  bool // an open, with its flags at position flags
	flags, indirect int  // indirect: the flags are what it points to
}

func byFD(name string, kind Kind) shape {
	return shape{name: name, kind: kind, fd: 0, path: -1, toFD: -1, toPath: -1, count: -1}
}

func sized(name string, kind Kind, count int) shape {
	s := byFD(name, kind)
	s.count = count
	return s
}

func byPath(name string, kind Kind, path int) shape {
	return shape{name: name, kind: kind, fd: -1, path: path, toFD: -1, toPath: -1, count: -1}
}

func at(name string, kind Kind) shape {
	return shape{name: name, kind: kind, fd: 0, path: 1, toFD: -1, toPath: -1, count: -1}
}

func moving(name string, kind Kind) shape {
	return shape{name: name, kind: kind, fd: 0, path: 1, toFD: 2, toPath: 3, count: -1}
}

func opening(s shape, flags, indirect int) shape {
	s.createsIfAsked, s.flags, s.indirect = true, flags, indirect
	return s
}

// shapes are the calls that stop.
var shapes = map[uint64]shape{
	unix.SYS_OPEN:            opening(byPath("open", Look, 0), 1, -1),
	unix.SYS_OPENAT:          opening(at("openat", Look), 2, -1),
	unix.SYS_OPENAT2:         opening(at("openat2", Look), -1, 2),
	unix.SYS_CREAT:           byPath("creat", Make, 0),
	unix.SYS_MKDIR:           byPath("mkdir", Make, 0),
	unix.SYS_MKDIRAT:         at("mkdirat", Make),
	unix.SYS_SYMLINKAT:       {name: "symlinkat", kind: Make, fd: 1, path: 2, toFD: -1, toPath: -1, count: -1},
	unix.SYS_LINKAT:          moving("linkat", Make),
	unix.SYS_LINK:            {name: "link", kind: Make, fd: -1, path: 0, toFD: -1, toPath: 1, count: -1},
	unix.SYS_UNLINK:          byPath("unlink", Alter, 0),
	unix.SYS_UNLINKAT:        at("unlinkat", Alter),
	unix.SYS_RMDIR:           byPath("rmdir", Alter, 0),
	unix.SYS_RENAME:          {name: "rename", kind: Alter, fd: -1, path: 0, toFD: -1, toPath: 1, count: -1},
	unix.SYS_RENAMEAT:        moving("renameat", Alter),
	unix.SYS_RENAMEAT2:       moving("renameat2", Alter),
	unix.SYS_TRUNCATE:        byPath("truncate", Alter, 0),
	unix.SYS_FTRUNCATE:       byFD("ftruncate", Alter),
	unix.SYS_FALLOCATE:       byFD("fallocate", Make),
	unix.SYS_UTIMENSAT:       at("utimensat", Alter),
	unix.SYS_CHMOD:           byPath("chmod", Alter, 0),
	unix.SYS_FCHMOD:          byFD("fchmod", Alter),
	unix.SYS_FCHMODAT:        at("fchmodat", Alter),
	unix.SYS_FCHOWN:          byFD("fchown", Alter),
	unix.SYS_READ:            sized("read", Read, 2),
	unix.SYS_PREAD64:         sized("pread64", Read, 2),
	unix.SYS_READV:           byFD("readv", Read),
	unix.SYS_PREADV:          byFD("preadv", Read),
	unix.SYS_WRITE:           sized("write", Write, 2),
	unix.SYS_PWRITE64:        sized("pwrite64", Write, 2),
	unix.SYS_WRITEV:          byFD("writev", Write),
	unix.SYS_PWRITEV:         byFD("pwritev", Write),
	unix.SYS_COPY_FILE_RANGE: {name: "copy_file_range", kind: Write, fd: 2, path: -1, toFD: -1, toPath: -1, count: 4},
	unix.SYS_FSYNC:           byFD("fsync", Flush),
	unix.SYS_FDATASYNC:       byFD("fdatasync", Flush),
	unix.SYS_SYNCFS:          byFD("syncfs", Flush),
	unix.SYS_SYNC_FILE_RANGE: byFD("sync_file_range", Look),
	unix.SYS_FADVISE64:       byFD("fadvise64", Look),
	unix.SYS_GETDENTS64:      byFD("getdents64", Look),
	unix.SYS_STAT:            byPath("stat", Look, 0),
	unix.SYS_LSTAT:           byPath("lstat", Look, 0),
	unix.SYS_FSTAT:           byFD("fstat", Look),
	unix.SYS_NEWFSTATAT:      at("newfstatat", Look),
	unix.SYS_STATX:           at("statx", Look),
	unix.SYS_STATFS:          byPath("statfs", Look, 0),
	unix.SYS_FSTATFS:         byFD("fstatfs", Look),
	unix.SYS_ACCESS:          byPath("access", Look, 0),
	unix.SYS_FACCESSAT:       at("faccessat", Look),
	unix.SYS_FACCESSAT2:      at("faccessat2", Look),
	unix.SYS_READLINKAT:      at("readlinkat", Look),
	unix.SYS_READLINK:        byPath("readlink", Look, 0),
	unix.SYS_IOCTL:           byFD("ioctl", Look),
	unix.SYS_MMAP:            {name: "mmap", kind: Look, fd: 4, path: -1, toFD: -1, toPath: -1, count: -1},
	unix.SYS_MOUNT:           byPath("mount", Alter, 1),
	unix.SYS_UMOUNT2:         byPath("umount2", Alter, 0),
	unix.SYS_CLOSE:           byFD("close", Close),
}
