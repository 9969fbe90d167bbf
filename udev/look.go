package udev

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// look reads one device. stable is false when the medium changed meanwhile, so
// that what was read may be of two insertions.
func (t Tree) look(name, dir string) (d Device, stable bool, err error) {
	disk, partition := wholeDisk(dir)
	seq, diskSize := readNumber(disk, "diskseq"), attrOr(disk, "size")

	number, err := readAttr(dir, "dev")
	if err != nil {
		return Device{}, false, err
	}
	size, err := readAttr(dir, "size")
	if err != nil {
		return Device{}, false, err
	}
	props, err := readUevent(dir)
	if err != nil {
		return Device{}, false, err
	}
	d = Device{
		Name:       name,
		Node:       nodeOf(name, props["DEVNAME"]),
		SysPath:    dir,
		DiskSeq:    seq,
		Disk:       filepath.Base(disk),
		Partition:  partition,
		SizeBytes:  sectorsToBytes(size),
		Removable:  attrOr(disk, "removable") == "1",
		Rotational: attrOr(disk, "queue/rotational") == "1",
		ReadOnly:   attrOr(dir, "ro") == "1" || attrOr(disk, "ro") == "1",
		Holders:    names(filepath.Join(dir, "holders")),
		Slaves:     names(filepath.Join(dir, "slaves")),
		Virtual:    strings.HasPrefix(dir, filepath.Join(t.sys(), "devices/virtual")+"/"),
		Properties: props,
	}
	if partition == 0 {
		d.Partitions = partitionsOf(dir)
	}
	if d.Major, d.Minor, err = parseDevNumber(number); err != nil {
		return Device{}, false, err
	}
	t.addKernelProperties(&d)
	if err := t.addEntry(&d, disk); err != nil {
		return Device{}, false, err
	}
	// A partition whose number could not be read was being replaced; it must not
	// pass for a whole disk.
	misread := partition == 0 && props["DEVTYPE"] == "partition"
	stable = !misread && readNumber(disk, "diskseq") == seq && attrOr(disk, "size") == diskSize
	return d, stable, nil
}

// addKernelProperties adds the properties that udev derives from the device's
// place and name.
func (t Tree) addKernelProperties(d *Device) {
	d.Properties["DEVPATH"] = strings.TrimPrefix(d.SysPath, t.sys())
	d.Properties["SUBSYSTEM"] = "block"
	d.Properties["DEVNAME"] = d.Node
}

// addEntry adds what udev's database knows. An entry of an earlier medium
// counts as none at all: it may even be that of another disk which had the same
// number.
func (t Tree) addEntry(d *Device, diskDir string) error {
	e, found, err := t.readEntry(fmt.Sprintf("%d:%d", d.Major, d.Minor))
	if err != nil {
		return err
	}
	fresh := found
	// Loop devices send their event before they take a new number, so there the
	// link is not to be relied upon (kernel source; and they have no slots).
	if found && !d.Virtual {
		fresh = e.belongsTo(d.DiskSeq)
		if fresh && d.Partition > 0 {
			// Only whole disks have the link: ask the disk's entry.
			whole, _, err := t.readEntry(attrOr(diskDir, "dev"))
			if err != nil {
				return err
			}
			fresh = whole.belongsTo(d.DiskSeq)
		}
	}
	if fresh {
		e.addTo(d.Properties)
	}
	describe(d, d.Properties)
	d.Initialized = fresh && d.Properties["ID_PROCESSING"] != "1"
	if d.SizeBytes == 0 {
		d.Label, d.UUID, d.FSType, d.FSUsage = "", "", "", ""
	}
	return nil
}

// readEntry reads the database entry of the block device with that number, as
// "MAJOR:MINOR"; found is false when udev has written none.
func (t Tree) readEntry(number string) (e entry, found bool, err error) {
	data, err := readBounded(filepath.Join(t.run(), "data", "b"+number), maxPropertiesBytes)
	if errors.Is(err, fs.ErrNotExist) {
		return entry{}, false, nil
	}
	if err != nil {
		return entry{}, false, err
	}
	return parseEntry(data), true, nil
}

// readUevent returns the kernel's own properties of the device.
func readUevent(dir string) (map[string]string, error) {
	data, err := readBounded(filepath.Join(dir, "uevent"), maxPropertiesBytes)
	if err != nil {
		return nil, err
	}
	props := make(map[string]string)
	for line := range strings.SplitSeq(data, "\n") {
		if key, value, ok := strings.Cut(line, "="); ok && validKey(key) && len(props) < maxProperties {
			props[key] = value
		}
	}
	return props, nil
}

// nodeOf returns the node's path. The kernel names it relative to /dev and may
// put it into a folder there.
func nodeOf(name, devName string) string {
	if devName == "" || !fs.ValidPath(devName) {
		devName = strings.ReplaceAll(name, "!", "/")
	}
	return "/dev/" + devName
}

// partitionsOf returns the names of the partitions below a disk's folder.
func partitionsOf(dir string) []string {
	type part struct {
		name   string
		number int
	}
	var parts []part
	for _, name := range names(dir) {
		if !strings.HasPrefix(name, filepath.Base(dir)) {
			continue
		}
		if _, n := wholeDisk(filepath.Join(dir, name)); n > 0 {
			parts = append(parts, part{name, n})
		}
	}
	slices.SortStableFunc(parts, func(a, b part) int { return cmp.Compare(a.number, b.number) })
	var list []string
	for _, p := range parts {
		list = append(list, p.name)
	}
	return list
}

// names lists a folder, sorted; nil when it is empty or missing.
func names(dir string) []string {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil
	}
	var list []string
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return list
}

// parseDevNumber parses "MAJOR:MINOR".
func parseDevNumber(s string) (major, minor uint32, err error) {
	left, right, ok := strings.Cut(s, ":")
	a, errA := strconv.ParseUint(left, 10, 32)
	b, errB := strconv.ParseUint(right, 10, 32)
	if !ok || errA != nil || errB != nil {
		return 0, 0, fmt.Errorf("device number %q is not MAJOR:MINOR", s)
	}
	return uint32(a), uint32(b), nil
}

// sectorsToBytes converts a size in units of 512 bytes, the unit of sysfs
// for every disk. What is no such number counts as no medium.
func sectorsToBytes(s string) int64 {
	sectors := parseNumber(s, 63)
	if sectors > math.MaxInt64/512 {
		return 0
	}
	return int64(sectors) * 512
}

// readNumber returns an attribute's number, 0 when there is none.
func readNumber(dir, attr string) uint64 { return parseNumber(attrOr(dir, attr), 64) }

// attrOr returns an attribute that not every device has, or "".
func attrOr(dir, attr string) string {
	value, err := readAttr(dir, attr)
	if err != nil {
		return ""
	}
	return value
}

// readAttr reads one sysfs attribute without its line end.
func readAttr(dir, attr string) (string, error) {
	data, err := readBounded(filepath.Join(dir, attr), 4096) // sysfs: at most one page
	return strings.TrimRight(data, "\n"), err
}

// readBounded reads at most limit bytes of a file; what lies beyond is ignored. A
// device that vanished between open and read gives fs.ErrNotExist, too.
func readBounded(path string, limit int64) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", vanished(err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, limit))
	if err != nil {
		return "", vanished(err)
	}
	return string(data), nil
}

// vanished makes the kernel's ways of saying that a device has gone
// recognisable as fs.ErrNotExist. ENOTDIR is that of a folder which became
// something else.
func vanished(err error) error {
	if errors.Is(err, syscall.ENODEV) || errors.Is(err, syscall.ENXIO) || errors.Is(err, syscall.ENOTDIR) {
		return fmt.Errorf("%w (%w)", fs.ErrNotExist, err)
	}
	return err
}
