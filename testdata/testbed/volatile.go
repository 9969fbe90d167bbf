package testbed

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
)

// Loss says what a disk with a volatile cache made of its last writes when the
// power failed.
type Loss struct {
	Entries int // in the log by then: writes, discards, flushes
	Flushes int // of these
	// Writes and discards that no flush had followed, those of them that
	// reached the medium all the same, and those of which only a part did.
	Volatile, Kept, Torn int
}

// String shows a loss in one line, for messages.
func (l Loss) String() string {
	return fmt.Sprintf("entry %d, flush %d; of %d unflushed writes %d kept, %d torn", l.Entries, l.Flushes, l.Volatile, l.Kept, l.Torn)
}

// CutPower writes to the new file image what a disk holds whose power failed
// when its write log had so many entries (all of them when the number is
// negative): before, everything up to the last flush, and of what came after it
// what chance leaves: nothing, all, any part of it in any order; and one of those
// writes only up to a sector of so many bytes. Nothing below a sector is torn:
// disks promise that much, and file systems rest on it (see SectorBytes).
func CutPower(before, log, image string, entries, sector int, chance *rand.Rand) (Loss, error) {
	ctx, cancel := context.WithTimeout(context.Background(), toolLimit)
	defer cancel()
	if err := command(ctx, "cp", "--sparse=always", before, image); err != nil {
		return Loss{}, err
	}
	in, err := os.Open(log)
	if err != nil {
		return Loss{}, err
	}
	defer in.Close()
	out, err := os.OpenFile(image, os.O_WRONLY, 0)
	if err != nil {
		return Loss{}, err
	}
	info, err := in.Stat()
	if err != nil || info.Size() == 0 && entries <= 0 { // nothing was ever asked of the disk
		return Loss{}, errors.Join(err, out.Close())
	}
	loss, volatile, err := playLog(in, out, func(so Loss, next LogEntry) (bool, error) {
		if so.Entries == entries {
			return false, nil
		}
		if next.flags&^(logFlush|logDiscard) != 0 {
			return false, fmt.Errorf("cut the power: entry %d of %s has flags %#x", so.Entries, log, next.flags)
		}
		return true, nil
	})
	if err == nil && entries > loss.Entries {
		err = fmt.Errorf("cut the power at entry %d of %s: it has %d", entries, log, loss.Entries)
	}
	if err == nil {
		err = loss.leave(out, volatile, int64(sector), chance)
	}
	return loss, errors.Join(err, out.Close())
}

// leave applies what chance leaves of the writes that were not flushed.
func (l *Loss) leave(out *os.File, volatile []LogEntry, sector int64, chance *rand.Rand) error {
	l.Volatile = len(volatile)
	share := chance.Float64() // how likely each write is to stay
	switch chance.IntN(8) {
	case 0:
		share = 0
	case 1:
		share = 1
	}
	var lost []LogEntry
	for _, i := range chance.Perm(len(volatile)) {
		if chance.Float64() >= share {
			lost = append(lost, volatile[i])
			continue
		}
		l.Kept++
		if err := apply(out, volatile[i]); err != nil {
			return err
		}
	}
	if share == 0 || chance.IntN(2) == 0 {
		return nil
	}
	// One of those that were lost arrives in part: its first sectors.
	for _, e := range lost {
		if e.Length <= sector || e.flags&logDiscard != 0 {
			continue
		}
		cut := sector * (1 + chance.Int64N((e.Length-1)/sector))
		l.Torn++
		return apply(out, LogEntry{Offset: e.Offset, Length: cut, Data: e.Data[:cut]})
	}
	return nil
}

// SectorBytes is what a file system expects a disk to write whole or not at all.
// Btrfs has one superblock of 4 KiB that it reads at a mount, checks as a whole
// and looks for nowhere else (seen: torn after 512 bytes, it does not mount).
func (fs FS) SectorBytes() int {
	if fs == Btrfs {
		return 4096
	}
	return 512
}

// LogWatch follows a write log while it is written.
type LogWatch struct {
	file *os.File
	seen uint64
	next int64
}

// WatchLog opens a log that a plugged disk writes. Close it in the end.
func WatchLog(path string) (*LogWatch, error) {
	f, err := os.Open(path)
	return &LogWatch{file: f}, err
}

// Close ends the watch.
func (w *LogWatch) Close() error { return w.file.Close() }

// Entries counts what is in the log now; 0 before the disk's first request.
// It may be called beside everything else.
func (w *LogWatch) Entries() int {
	var super [32]byte
	if _, err := w.file.ReadAt(super[:], 0); err != nil {
		return 0
	}
	return int(binary.LittleEndian.Uint64(super[16:]))
}

// New returns the entries that came since the last call.
func (w *LogWatch) New() ([]LogEntry, error) {
	total := uint64(w.Entries())
	if total == w.seen {
		return nil, nil
	}
	var size [4]byte
	if _, err := w.file.ReadAt(size[:], 24); err != nil {
		return nil, err
	}
	sector := int64(binary.LittleEndian.Uint32(size[:]))
	w.next = max(w.next, sector)
	var list []LogEntry
	for ; w.seen < total; w.seen++ {
		in := io.NewSectionReader(w.file, w.next, 1<<40)
		e, err := readEntry(in, sector)
		if err != nil {
			return list, err
		}
		w.next += sector + int64(len(e.Data))
		list = append(list, e)
	}
	return list, nil
}
