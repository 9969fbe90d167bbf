package volume

import (
	"fmt"
	"time"

	"golang.org/x/sys/unix"
)

// Limits says what a file system can hold and how it has to be treated. Its
// zero value is that of an unknown file system: nothing is promised.
type Limits struct {
	FSType string // the kernel's name, or blkid's where the kernel was not asked

	MaxFileBytes int64 // largest file; 0 when no device of today reaches the limit
	MaxNameBytes int   // longest name in bytes of UTF-8; 0 when only MaxNameUTF16 binds
	MaxNameUTF16 int   // longest name in UTF-16 units; 0 when only MaxNameBytes binds
	MaxPathBytes int   // longest path that one system call takes, with its final NUL

	CaseInsensitive    bool   // names that differ only in case are one name
	FoldsUnicode       bool   // composed and decomposed spelling are one name
	Forbidden          string // characters a name must not hold, beyond '/' and NUL; control characters: see ForbidsControl
	ForbidsControl     bool   // U+0001 to U+001F are forbidden
	NoTrailingDotSpace bool   // a final dot or space is dropped or refused
	UTF8Only           bool   // names are stored as UTF-16: invalid UTF-8 cannot be kept

	// TimeStep is the grain of a file's modification time.
	TimeStep time.Duration

	// SyncfsFlushes: syncfs(2) makes the device empty its own cache. Where it
	// does not, FlushDevice or an fsync of every file has to follow.
	SyncfsFlushes bool
	// RenameNeedsFsync: after a rename the file must be fsynced once more or a
	// power cut may leave it empty.
	RenameNeedsFsync bool
	// NoPreallocation: fallocate(2) without flags is refused.
	NoPreallocation bool
	// InlineBytes: files up to this size may be stored inside the file system's
	// own records, out of the reach of direct reading; 0 when there is no such
	// thing. A file that was allocated (fallocate) before it was written, or
	// written longer and then cut, is stored outside.
	InlineBytes int64
	// DirectReadsMedium: direct I/O, or eviction and a buffered read, reach the
	// device below. False for network, memory, FUSE and stacked file systems.
	DirectReadsMedium bool
	// ReadsWhileWritten: direct reads of the front of a file, flushed before,
	// reach the device while its rest is still being written.
	ReadsWhileWritten bool
	// WritesDirect: large files are best written past the page cache, into
	// space that was allocated before.
	WritesDirect bool
}

const (
	fat32MaxFile  = 1<<32 - 1             // bytes: "FAT: General Overview of On-Disk Format" (Microsoft, 2000), DIR_FileSize is 32 bits
	exfatBadChars = "\"*/:<>?\\|"         // exFAT file system specification (Microsoft), section 7.7.3, table 35
	ntfsBadChars  = "\"*/:<>?\\|"         // "Naming Files, Paths, and Namespaces" (Microsoft): Win32 name rules
	fatBadChars   = "\"*/:<>?\\|"         // long names; "FAT32 File System Specification" (Microsoft, 2000), Long Directory Entries
	utf16Name     = 255                   // the same three documents: at most 255 UTF-16 units
	vfatNameBytes = 255                   // Linux, fs/fat/namei_vfat.c: vfat_valid_longname counts bytes of UTF-8 as well
	pathMax       = 4096                  // limits.h PATH_MAX
	ext4MaxFile   = 16<<40 - 4096         // bytes, 4 KiB blocks: kernel documentation, ext4/blocks: 2^32 blocks a file, less one
	exfatTimeStep = 10 * time.Millisecond // exFAT specification, 7.4.8: 2 s steps plus 0-199 x 10 ms
	fatTimeStep   = 2 * time.Second       // FAT specification, date and time formats: 2 s steps
	ntfsTimeStep  = 100 * time.Nanosecond // MS-DTYP FILETIME
)

// byteExact is what ext4, XFS and Btrfs share: names are bytes, none is
// folded. (ext4 can be made with case folding per folder; creating files with
// O_EXCL finds the clash there.)
func byteExact(fsType string) Limits {
	return Limits{
		FSType: fsType, MaxNameBytes: 255, MaxPathBytes: pathMax, TimeStep: time.Nanosecond,
		SyncfsFlushes: true, DirectReadsMedium: true,
	}
}

// utf16Named is what FAT, exFAT and NTFS share.
func utf16Named(fsType, forbidden string, step time.Duration) Limits {
	return Limits{
		FSType: fsType, MaxNameUTF16: utf16Name, MaxPathBytes: pathMax, TimeStep: step,
		CaseInsensitive: true, Forbidden: forbidden, ForbidsControl: true, NoTrailingDotSpace: true,
		UTF8Only: true, DirectReadsMedium: true, ReadsWhileWritten: true,
	}
}

// LimitsOf returns the limits of a file system by the name that the kernel or
// blkid gives it. For an unknown name only FSType, the POSIX name length and
// the path length are filled in.
func LimitsOf(fsType string) Limits {
	switch fsType {
	case "ext2", "ext3":
		l := byteExact(fsType)
		l.MaxFileBytes = 2 << 40 // kernel documentation, ext2: 2 TiB with 4 KiB blocks
		l.TimeStep = time.Second // 128-byte inodes hold whole seconds; larger ones do better
		return l
	case "ext4":
		l := byteExact(fsType)
		l.MaxFileBytes = ext4MaxFile
		l.ReadsWhileWritten, l.WritesDirect = true, true
		l.InlineBytes = 160 // the inline_data feature, off by default; bound for 256-byte inodes
		return l
	case "xfs":
		l := byteExact(fsType)
		l.ReadsWhileWritten, l.WritesDirect = true, true
		return l
	case "btrfs":
		l := byteExact(fsType)
		l.InlineBytes = 2048 // btrfs(5), max_inline: default 2048, "compared to the size after compression"
		return l
	case "f2fs":
		l := byteExact(fsType)
		l.InlineBytes = 3488 // kernel documentation, f2fs, inline_data: "about 3.4k" in a 4 KiB inode block
		return l
	case "vfat", "msdos", "fat":
		l := utf16Named("vfat", fatBadChars, fatTimeStep)
		l.MaxFileBytes, l.MaxNameBytes = fat32MaxFile, vfatNameBytes
		l.RenameNeedsFsync = true
		return l
	case "exfat":
		l := utf16Named(fsType, exfatBadChars, exfatTimeStep)
		l.SyncfsFlushes, l.NoPreallocation = true, true
		return l
	case "ntfs", "ntfs3":
		l := utf16Named("ntfs3", ntfsBadChars, ntfsTimeStep)
		l.InlineBytes = 4096 // resident attributes live in a file record of 1 or 4 KiB
		return l
	case "udf", "iso9660":
		return Limits{FSType: fsType, MaxNameBytes: 255, MaxPathBytes: pathMax, TimeStep: time.Microsecond, UTF8Only: true, DirectReadsMedium: true}
	}
	return Limits{FSType: fsType, MaxNameBytes: 255, MaxPathBytes: pathMax, TimeStep: time.Nanosecond}
}

// LimitsAt returns the limits of the file system that holds path.
func LimitsAt(path string) (Limits, error) {
	m, err := mountOf(path)
	if err != nil {
		return Limits{}, fmt.Errorf("find file system of %s: %w", path, err)
	}
	return LimitsOf(m.fsType), nil
}

// typeByMagic names a file system by the number that statfs(2) gives; "" when
// it is not in the table. Numbers: linux/magic.h, and fs/ntfs3/super.c.
func typeByMagic(magic int64) string {
	switch uint32(magic) {
	case unix.EXT4_SUPER_MAGIC:
		return "ext4"
	case unix.XFS_SUPER_MAGIC:
		return "xfs"
	case unix.BTRFS_SUPER_MAGIC:
		return "btrfs"
	case unix.F2FS_SUPER_MAGIC:
		return "f2fs"
	case unix.MSDOS_SUPER_MAGIC:
		return "vfat"
	case unix.EXFAT_SUPER_MAGIC:
		return "exfat"
	case 0x7366746e: // "ntfs", little endian
		return "ntfs3"
	case unix.UDF_SUPER_MAGIC:
		return "udf"
	case unix.ISOFS_SUPER_MAGIC:
		return "iso9660"
	case unix.TMPFS_MAGIC:
		return "tmpfs"
	case unix.RAMFS_MAGIC:
		return "ramfs"
	case unix.NFS_SUPER_MAGIC:
		return "nfs"
	case unix.CIFS_SUPER_MAGIC, unix.SMB2_SUPER_MAGIC:
		return "cifs"
	case unix.OVERLAYFS_SUPER_MAGIC:
		return "overlay"
	case unix.FUSE_SUPER_MAGIC:
		return "fuse"
	}
	return ""
}
