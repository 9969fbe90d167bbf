package testbed

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// A write log is what QEMU's blklogwrites driver writes: the on-disk format of
// the kernel's dm-log-writes target (Documentation/admin-guide/device-mapper/
// log-writes.rst; the constants are from memory, and a log of QEMU's own that
// would not parse otherwise keeps them true).
const (
	logMagic   = 0x6a736677736872
	logVersion = 1

	logFlush   = 1 << 0
	logDiscard = 1 << 2
)

// LogEntry is one write, discard or flush. Data is nil unless it is a write.
type LogEntry struct {
	Offset int64 // bytes from the start of the disk
	Length int64 // bytes
	Data   []byte
	flags  uint64
}

// Flush tells whether everything before it was on the medium when it ended.
func (e LogEntry) Flush() bool { return e.flags&logFlush != 0 }

// readLog calls each with every entry in order until it returns false.
func readLog(r io.Reader, each func(LogEntry) (bool, error)) error {
	in := bufio.NewReaderSize(r, 1<<20)
	var super struct {
		Magic, Version, Entries uint64
		SectorSize              uint32
	}
	if err := binary.Read(in, binary.LittleEndian, &super); err != nil {
		return fmt.Errorf("read write log: %w", err)
	}
	if super.Magic != logMagic || super.Version != logVersion || super.SectorSize < 512 || super.SectorSize > 4096 {
		return fmt.Errorf("read write log: magic %#x, version %d, sectors of %d bytes", super.Magic, super.Version, super.SectorSize)
	}
	sector := int64(super.SectorSize)
	if _, err := io.CopyN(io.Discard, in, sector-int64(binary.Size(super))); err != nil {
		return fmt.Errorf("read write log: %w", err)
	}
	for range super.Entries {
		e, err := readEntry(in, sector)
		if err != nil {
			return err
		}
		if more, err := each(e); err != nil || !more {
			return err
		}
	}
	return nil
}

// readEntry reads one entry, whose head fills a sector.
func readEntry(in io.Reader, sector int64) (LogEntry, error) {
	var head struct{ Sector, Sectors, Flags, DataBytes uint64 }
	if err := binary.Read(in, binary.LittleEndian, &head); err != nil {
		return LogEntry{}, fmt.Errorf("read write log: %w", err)
	}
	if _, err := io.CopyN(io.Discard, in, sector-int64(binary.Size(head))); err != nil {
		return LogEntry{}, fmt.Errorf("read write log: %w", err)
	}
	e := LogEntry{Offset: int64(head.Sector) * sector, Length: int64(head.Sectors) * sector, flags: head.Flags}
	if e.Offset < 0 || e.Length < 0 || e.Length > 1<<30 {
		return e, fmt.Errorf("read write log: entry of %d bytes at %d", e.Length, e.Offset)
	}
	if e.flags&logDiscard == 0 && e.Length > 0 {
		e.Data = make([]byte, e.Length)
		if _, err := io.ReadFull(in, e.Data); err != nil {
			return e, fmt.Errorf("read write log: %w", err)
		}
	}
	return e, nil
}

// Flushes counts the flushes in a write log. The log is complete once the disk
// is unplugged, and after a power cut.
func Flushes(t testing.TB, log string) int {
	t.Helper()
	f, err := os.Open(log)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	n := 0
	if err := readLog(f, func(e LogEntry) (bool, error) {
		if e.Flush() {
			n++
		}
		return true, nil
	}); err != nil {
		t.Fatal(err)
	}
	return n
}

// Replay returns a new image: before, and what the log holds up to its flush
// number flushes. It is what a disk with a volatile cache surely holds when
// the power fails just before the next flush ends; before is a copy of the
// image made before the disk was plugged in.
func Replay(t testing.TB, before, log string, flushes int) string {
	t.Helper()
	image := filepath.Join(t.TempDir(), fmt.Sprintf("flush-%d.img", flushes))
	ctx, cancel := context.WithTimeout(context.Background(), toolLimit)
	defer cancel()
	if err := command(ctx, "cp", "--sparse=always", before, image); err != nil {
		t.Fatal(err)
	}
	if err := replay(image, log, flushes); err != nil {
		t.Fatal(err)
	}
	return image
}

func replay(image, log string, flushes int) error {
	in, err := os.Open(log)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(image, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	loss, _, err := playLog(in, out, func(so Loss, _ LogEntry) (bool, error) { return so.Flushes < flushes, nil })
	if err == nil && loss.Flushes < flushes {
		err = fmt.Errorf("replay %s: it has %d flushes, not %d", log, loss.Flushes, flushes)
	}
	return errors.Join(err, out.Close())
}

// playLog writes to an image what the flushes of a log have made sure, for as long
// as more says, and returns what came after the last of them: that may never have
// arrived. Of what happened it counts entries and flushes.
func playLog(in io.Reader, out *os.File, more func(so Loss, next LogEntry) (bool, error)) (so Loss, volatile []LogEntry, err error) {
	err = readLog(in, func(e LogEntry) (bool, error) {
		if ok, err := more(so, e); !ok || err != nil {
			return false, err
		}
		so.Entries++
		if e.Length > 0 {
			volatile = append(volatile, e)
		}
		if !e.Flush() {
			return true, nil
		}
		so.Flushes++
		for _, e := range volatile {
			if err := apply(out, e); err != nil {
				return false, err
			}
		}
		volatile = nil
		return true, nil
	})
	return so, volatile, err
}

func apply(image *os.File, e LogEntry) error {
	data := e.Data
	if e.flags&logDiscard != 0 {
		data = make([]byte, e.Length) // a discarded block of an image file reads zeros
	}
	_, err := image.WriteAt(data, e.Offset)
	return err
}
