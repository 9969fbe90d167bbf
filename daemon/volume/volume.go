// Package volume is where file systems meet devices: it mounts and unmounts
// media, knows what each file system can hold, finds the physical disks below a
// folder, and reads files back from the medium instead of from the page cache.
//
// What it guarantees:
//
//   - A card is never written. [Mounter.Card] makes the whole disk read-only in
//     the kernel, checks that this took hold, and only then mounts, read-only
//     and with journal replay switched off.
//   - A [DirectFile] never hands out bytes that were in the page cache when it
//     was opened. Where that cannot be shown, [OpenDirect] returns [ErrCached].
//   - Nothing that a medium says about itself (label, UUID, names) becomes part
//     of a path that this package creates.
//   - A device that hangs does not hang the caller: every call that may block in
//     the kernel for longer than a read takes a context.
//
// What it will not do: decide what is a card or a drive, repair a file system,
// replay a journal, run an external program, or claim that a device told the
// truth when it said that a flush was done. "From the medium" means "from the
// device": what a card reader or a drive caches inside itself cannot be seen.
package volume

import "errors"

// What callers branch on; always through errors.Is.
var (
	// ErrReadOnly: a drive can only be read.
	ErrReadOnly = errors.New("the medium can only be read")
	// ErrNotReadOnly: the read-only gate of a card's disk did not take hold.
	ErrNotReadOnly = errors.New("the disk could not be made read-only")
	// ErrNoDriver: this kernel does not know the file system.
	ErrNoDriver = errors.New("this kernel has no driver")
	// ErrUnsupported: a file system that this program does not mount.
	ErrUnsupported = errors.New("the file system is not one that can be used")
	// ErrBusy: something still holds the mount; it was detached, and the device
	// stays in use until the last holder lets go.
	ErrBusy = errors.New("still in use")
	// ErrCached: a file cannot be read from the medium, only from memory.
	ErrCached = errors.New("cannot be read past the cache")
	// ErrMediumChanged: another medium appeared while this one was looked at.
	ErrMediumChanged = errors.New("the medium was changed")
)
