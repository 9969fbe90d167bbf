package udev

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// ErrNoDiskSeq says that the kernel does not number insertions (before 5.15), so
// that one medium cannot be told from the next.
var ErrNoDiskSeq = errors.New("no disk sequence number")

// Tree is where sysfs and udev's runtime folder are found. The zero value means
// the running system: "/sys" and "/run/udev".
type Tree struct {
	Sys, Run string
}

func (t Tree) sys() string {
	if t.Sys == "" {
		return "/sys"
	}
	return filepath.Clean(t.Sys)
}

func (t Tree) run() string {
	if t.Run == "" {
		return "/run/udev"
	}
	return filepath.Clean(t.Run)
}

// Enumerate lists every block device that has a node, sorted by Name: whole
// disks (those without a medium included), partitions and virtual devices, but
// no RAM disks (ram*, zram*).
//
// A device that vanishes meanwhile is left out. A device that cannot be read for
// another reason is left out, too, and named in the error; the list is then
// valid for all others. When nothing could be listed, or ctx ended, the list is
// nil and the error says why.
func (t Tree) Enumerate(ctx context.Context) ([]Device, error) {
	class := filepath.Join(t.sys(), "class/block")
	entries, err := os.ReadDir(class)
	if err != nil {
		return nil, fmt.Errorf("list block devices: %w", err)
	}
	devices := make([]Device, 0, len(entries))
	var faults []error
	for _, e := range entries {
		if err := ctx.Err(); err != nil {
			return nil, fmt.Errorf("list block devices: %w", err)
		}
		if memoryBacked(e.Name()) {
			continue
		}
		d, err := t.Lookup(e.Name())
		switch {
		case err == nil:
			devices = append(devices, d)
		case !errors.Is(err, fs.ErrNotExist):
			faults = append(faults, err)
		}
	}
	slices.SortFunc(devices, func(a, b Device) int { return strings.Compare(a.Name, b.Name) })
	return devices, errors.Join(faults...)
}

// memoryBacked reports whether name is a RAM disk's, which holds nothing
// that outlives the power.
func memoryBacked(name string) bool {
	rest, ok := strings.CutPrefix(strings.TrimPrefix(name, "z"), "ram")
	return ok && rest != "" && strings.Trim(rest, "0123456789") == ""
}

// maxLooks bounds how often a device is looked at again because its medium
// changed meanwhile.
const maxLooks = 4

// Lookup returns the device with that kernel name. errors.Is(err,
// fs.ErrNotExist) holds when there is none, when it vanished meanwhile, and when
// it has no device number and thus no node.
func (t Tree) Lookup(name string) (Device, error) {
	dir, err := t.deviceDir(name)
	if err != nil {
		return Device{}, fmt.Errorf("look up %q: %w", name, err)
	}
	for look := 1; ; look++ {
		d, stable, err := t.look(name, dir)
		if err != nil {
			return Device{}, fmt.Errorf("look up %q: %w", name, err)
		}
		if stable {
			return d, nil
		}
		if look == maxLooks {
			// It will not hold still; the next event or rescan comes anyway.
			return Device{}, fmt.Errorf("look up %q: medium changes all the time", name)
		}
	}
}

// LookupNumber returns the device with that device number, as Lookup does.
func (t Tree) LookupNumber(major, minor uint32) (Device, error) {
	link := filepath.Join(t.sys(), "dev/block", fmt.Sprintf("%d:%d", major, minor))
	target, err := os.Readlink(link)
	if err != nil {
		return Device{}, fmt.Errorf("look up device %d:%d: %w", major, minor, err)
	}
	return t.Lookup(filepath.Base(target))
}

// DiskSeq returns the sequence number of disk's present medium and its size in
// bytes (0: no medium), both of the same moment. disk is a kernel name; a
// partition's stands for its whole disk. errors.Is(err, fs.ErrNotExist) holds
// when the disk is gone, errors.Is(err, ErrNoDiskSeq) when the kernel has no such
// number (sizeBytes is valid then).
//
// A medium that was pulled keeps its number until the kernel notices; before a
// claim, make it look by opening the node.
func (t Tree) DiskSeq(disk string) (seq uint64, sizeBytes int64, err error) {
	dir, err := t.deviceDir(disk)
	if err != nil {
		return 0, 0, fmt.Errorf("read disk sequence of %q: %w", disk, err)
	}
	dir, _ = wholeDisk(dir)
	for range maxLooks {
		before := readNumber(dir, "diskseq")
		sectors, err := readAttr(dir, "size")
		if err != nil {
			return 0, 0, fmt.Errorf("read disk sequence of %q: %w", disk, err)
		}
		if readNumber(dir, "diskseq") != before {
			continue
		}
		if before == 0 {
			return 0, sectorsToBytes(sectors), fmt.Errorf("read disk sequence of %q: %w", disk, ErrNoDiskSeq)
		}
		return before, sectorsToBytes(sectors), nil
	}
	return 0, 0, fmt.Errorf("read disk sequence of %q: medium changes all the time", disk)
}

// deviceDir returns the device's own folder in sysfs.
func (t Tree) deviceDir(name string) (string, error) {
	if !validName(name) {
		return "", fmt.Errorf("not a kernel name: %w", fs.ErrNotExist)
	}
	class := filepath.Join(t.sys(), "class/block")
	target, err := os.Readlink(filepath.Join(class, name))
	if err != nil {
		return "", err
	}
	return filepath.Join(class, target), nil
}

// wholeDisk returns the folder of the whole disk and the partition's number, 0 if
// dir is one itself.
func wholeDisk(dir string) (disk string, partition int) {
	if n := int(parseNumber(attrOr(dir, "partition"), 31)); n > 0 {
		return filepath.Dir(dir), n
	}
	return dir, 0
}
