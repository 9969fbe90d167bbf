package offload

import (
	"io"
	"io/fs"
	"time"
)

// FS is all the engine asks of a file system, on the card and on the drives.
// It is the one place where faults are put in by tests. Names are slash
// separated and relative to the root; nothing outside the root can be reached.
type FS interface {
	// List returns a folder's entries, sorted by name, without following links.
	List(name string) ([]Item, error)
	// Lstat describes one entry without following a link.
	Lstat(name string) (Item, error)
	// Open opens a regular file for reading, past the page cache where the
	// file system allows it.
	Open(name string) (Source, error)
	// OpenMedium opens a regular file for reading what the medium holds. It
	// fails where that cannot be assured.
	OpenMedium(name string) (Source, error)
	// OpenGrowing is OpenMedium for a file that is still being written; what
	// was flushed of it can be read.
	OpenGrowing(name string) (Source, error)
	// Create makes a new file for writing; it fails if the name exists. The
	// size that it is going to have says how it is written best.
	Create(name string, sizeBytes int64) (Sink, error)
	// CreatePatchwork makes a new file that is written in any order; it fails if
	// the name exists.
	CreatePatchwork(name string) (Patchwork, error)
	Mkdir(name string) error
	Rename(from, to string) error
	Remove(name string) error
	SetModTime(name string, at time.Time) error
	// SyncDir makes a folder's entries durable.
	SyncDir(name string) error
	// SyncAll makes everything written so far durable, names included.
	SyncAll() error
}

// Item is one entry of a folder.
type Item struct {
	Name      string
	Mode      fs.FileMode
	SizeBytes int64
	ModTime   time.Time
}

// Source is a file being read.
type Source interface {
	io.ReaderAt
	io.Closer
	// Size is the length at opening, in bytes.
	Size() int64
}

// SectorSource is a Source that can read a single sector of
// [volume.SectorBytes] where its medium has such; p and off are aligned to it.
type SectorSource interface {
	Source
	ReadSector(p []byte, off int64) (int, error)
}

// Patchwork is a file that is written piece by piece. What was not written
// reads as zeros, if the drive is sound.
type Patchwork interface {
	io.WriterAt
	io.Closer
	Truncate(sizeBytes int64) error
	// Sync makes data and metadata durable.
	Sync() error
}

// Sink is a file being written.
type Sink interface {
	io.Writer
	io.Closer
	// Push asks the kernel to begin writing out what was written so far, and
	// keeps the amount of unwritten memory bounded; last says that nothing more
	// will come. It is no flush.
	Push(last bool) error
	SetModTime(at time.Time) error
	// Sync makes data and metadata durable.
	Sync() error
}
