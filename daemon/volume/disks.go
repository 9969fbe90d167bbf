package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// sysTree is where the kernel shows its devices.
type sysTree string

const hostSys sysTree = "/sys"

// maxStack bounds how many layers (dm, md, partitions) lie on one another.
const maxStack = 16

// Disks returns the kernel names of the whole physical disks that the file
// system of path lies on, sorted: through partitions, device mapper, md and the
// devices of a Btrfs down to the disks themselves.
//
// A loop device counts as a disk of its own and is not followed to the disk
// that holds its backing file: somebody who attaches an image as a device says
// that it is to be treated as one, and measurements and tests rest on that.
//
// A file system without a disk of this machine gets an invented identity with a
// colon, which no disk name has: "memory:tmpfs", "network:server:/export",
// "stacked:overlay", "fuse:…", "other:…". All tmpfs count as one. See OnDisk.
func Disks(path string) ([]string, error) {
	m, err := mountOf(path)
	if err != nil {
		return nil, fmt.Errorf("find disks of %s: %w", path, err)
	}
	ids, err := hostSys.disksOf(m, path)
	if err != nil {
		return nil, fmt.Errorf("find disks of %s: %w", path, err)
	}
	return ids, nil
}

// OnDisk reports whether path lies on physical disks of this machine only.
func OnDisk(path string) (bool, error) {
	ids, err := Disks(path)
	return err == nil && len(ids) > 0 && !slices.ContainsFunc(ids, func(id string) bool { return !IsDisk(id) }), err
}

// IsDisk reports whether an identity from Disks is that of a physical disk.
func IsDisk(identity string) bool { return identity != "" && !strings.Contains(identity, ":") }

func (t sysTree) disksOf(m mountEntry, path string) ([]string, error) {
	if m.fsType == "btrfs" {
		return t.btrfsDisks(path)
	}
	if m.major == 0 {
		return []string{withoutDisk(m)}, nil
	}
	return t.wholeDisks(fmt.Sprintf("%d:%d", m.major, m.minor))
}

// withoutDisk names a file system that has no block device.
func withoutDisk(m mountEntry) string {
	switch {
	case m.fsType == "tmpfs" || m.fsType == "ramfs" || m.fsType == "devtmpfs" || m.fsType == "hugetlbfs":
		return "memory:" + m.fsType
	case m.fsType == "nfs" || m.fsType == "nfs4" || m.fsType == "cifs" || m.fsType == "smb3" || m.fsType == "ceph" || m.fsType == "9p":
		return "network:" + m.source
	case m.fsType == "overlay" || m.fsType == "ecryptfs" || m.fsType == "zfs":
		return "stacked:" + m.fsType
	case strings.HasPrefix(m.fsType, "fuse") || m.fsType == "virtiofs":
		return "fuse:" + m.fsType + ":" + m.source
	}
	return "other:" + m.fsType + ":" + m.source
}

// wholeDisks resolves a device number "MAJOR:MINOR".
func (t sysTree) wholeDisks(number string) ([]string, error) {
	found := map[string]bool{}
	dir, err := filepath.EvalSymlinks(filepath.Join(string(t), "dev/block", number))
	if err != nil {
		return nil, err
	}
	if err := t.descend(dir, found, 0); err != nil {
		return nil, err
	}
	return sortedKeys(found), nil
}

func (t sysTree) descend(dir string, found map[string]bool, depth int) error {
	if depth > maxStack {
		return fmt.Errorf("%s: more than %d layers of devices", dir, maxStack)
	}
	if _, err := os.Lstat(filepath.Join(dir, "partition")); err == nil {
		return t.descend(filepath.Dir(dir), found, depth+1)
	}
	slaves, err := os.ReadDir(filepath.Join(dir, "slaves"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if len(slaves) == 0 {
		found[diskIdentity(filepath.Base(dir))] = true
		return nil
	}
	for _, s := range slaves {
		below, err := filepath.EvalSymlinks(filepath.Join(dir, "slaves", s.Name()))
		if err != nil {
			return err
		}
		if err := t.descend(below, found, depth+1); err != nil {
			return err
		}
	}
	return nil
}

// diskIdentity gives block devices that are no disks of this machine an
// invented identity.
func diskIdentity(name string) string {
	switch {
	case strings.HasPrefix(name, "zram"), strings.HasPrefix(name, "ram"):
		return "memory:" + name
	case strings.HasPrefix(name, "nbd"), strings.HasPrefix(name, "rbd"):
		return "network:" + name
	}
	return name
}

const btrfsFSInfo = 0x8400941F // BTRFS_IOC_FS_INFO, linux/btrfs.h

// btrfsDisks returns the disks below all devices of a Btrfs.
func (t sysTree) btrfsDisks(path string) ([]string, error) {
	dirs, err := t.btrfsDevices(path)
	if err != nil {
		return nil, err
	}
	found := map[string]bool{}
	for _, dir := range dirs {
		if err := t.descend(dir, found, 0); err != nil {
			return nil, err
		}
	}
	return sortedKeys(found), nil
}

// btrfsDevices asks the file system for its UUID, because the device number
// that stat gives for Btrfs is an invented one, and then /sys for its devices.
func (t sysTree) btrfsDevices(path string) ([]string, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|unix.O_NONBLOCK, 0) // a fifo must not hang it
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var info struct {
		maxID, devices uint64
		uuid           [16]byte
		_              [992]byte
	}
	if err := ioctlPointer(f, btrfsFSInfo, unsafe.Pointer(&info)); err != nil {
		return nil, fmt.Errorf("ask Btrfs for its UUID: %w", err)
	}
	u := info.uuid
	uuid := fmt.Sprintf("%x-%x-%x-%x-%x", u[:4], u[4:6], u[6:8], u[8:10], u[10:])
	devices := filepath.Join(string(t), "fs/btrfs", uuid, "devices")
	entries, err := os.ReadDir(devices)
	if err != nil {
		return nil, err
	}
	if uint64(len(entries)) != info.devices {
		return nil, fmt.Errorf("a Btrfs of %d devices shows %d", info.devices, len(entries))
	}
	var dirs []string
	for _, e := range entries {
		dir, err := filepath.EvalSymlinks(filepath.Join(devices, e.Name()))
		if err != nil {
			return nil, err
		}
		dirs = append(dirs, dir)
	}
	return dirs, nil
}

// checkOnlyBtrfsDevice makes sure that the Btrfs at path consists of the device
// with the given number and of no other: the read-only gate is closed for one
// disk only, and one drive is one fault domain.
func (t sysTree) checkOnlyBtrfsDevice(path string, number uint64) error {
	dirs, err := t.btrfsDevices(path)
	if err != nil {
		return err
	}
	if len(dirs) != 1 {
		return fmt.Errorf("%w: a Btrfs over %d devices", ErrUnsupported, len(dirs))
	}
	got, err := os.ReadFile(filepath.Join(dirs[0], "dev"))
	if err != nil {
		return err
	}
	if want := fmt.Sprintf("%d:%d", unix.Major(number), unix.Minor(number)); strings.TrimSpace(string(got)) != want {
		return fmt.Errorf("%w: the mount shows another device", ErrMediumChanged)
	}
	return nil
}

// WholeDisk returns the name of the whole disk that the block device at node is
// or is a partition of, without looking through device mapper or md.
func WholeDisk(node string) (string, error) {
	var st unix.Stat_t
	if err := unix.Stat(node, &st); err != nil {
		return "", fmt.Errorf("find disk of %s: %w", node, err)
	}
	if st.Mode&unix.S_IFMT != unix.S_IFBLK {
		return "", fmt.Errorf("find disk of %s: %w", node, unix.ENOTBLK)
	}
	number := fmt.Sprintf("%d:%d", unix.Major(uint64(st.Rdev)), unix.Minor(uint64(st.Rdev)))
	dir, err := filepath.EvalSymlinks(filepath.Join(string(hostSys), "dev/block", number))
	if err != nil {
		return "", fmt.Errorf("find disk of %s: %w", node, err)
	}
	if _, err := os.Lstat(filepath.Join(dir, "partition")); err == nil {
		dir = filepath.Dir(dir)
	}
	return filepath.Base(dir), nil
}

func sortedKeys(m map[string]bool) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
