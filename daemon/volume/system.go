package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// systemPoints are the mount points of the file systems that make up the
// running system; what is mounted below systemTrees belongs to it too.
var (
	systemPoints = []string{"/", "/etc", "/home", "/opt", "/root", "/srv", "/tmp", "/var", "/var/cache", "/var/lib", "/var/log", "/var/tmp"}
	systemTrees  = []string{"/boot", "/efi", "/usr"}
)

// SystemDisks returns the whole disks that the running system needs: those
// below /, below file systems at the places of a system (/boot, /usr, /var, /home
// and so on), and those with swap in use. What is mounted elsewhere, under /mnt,
// /media or /run say, is in use but is not the system: see MountedDisks.
func SystemDisks() (map[string]bool, error) {
	entries, err := mounts()
	if err != nil {
		return nil, fmt.Errorf("find system disks: %w", err)
	}
	disks := map[string]bool{}
	for _, e := range entries {
		if !isSystemPoint(e.point) {
			continue
		}
		if err := addDisks(disks, e); err != nil {
			return nil, fmt.Errorf("find system disks: %w", err)
		}
	}
	if err := addSwap(disks); err != nil {
		return nil, fmt.Errorf("find system disks: %w", err)
	}
	return disks, nil
}

func isSystemPoint(point string) bool {
	return slices.Contains(systemPoints, point) || slices.ContainsFunc(systemTrees, func(f string) bool { return point == f || below(point, f) })
}

// MountedDisks returns, for each whole disk with a mounted file system, one of
// its mount points; mounts below exceptDir (the caller's own) do not count. A
// disk that somebody else has mounted is in use: its gate cannot be closed.
func MountedDisks(exceptDir string) (map[string]string, error) {
	entries, err := mounts()
	if err != nil {
		return nil, fmt.Errorf("find mounted disks: %w", err)
	}
	if real, err := filepath.EvalSymlinks(exceptDir); err == nil {
		exceptDir = real
	}
	points := map[string]string{}
	for _, e := range entries {
		if exceptDir != "" && below(e.point, exceptDir) {
			continue
		}
		disks := map[string]bool{}
		if err := addDisks(disks, e); err != nil {
			return nil, fmt.Errorf("find mounted disks: %w", err)
		}
		for d := range disks {
			if _, ok := points[d]; !ok {
				points[d] = e.point
			}
		}
	}
	return points, nil
}

// addDisks adds the physical disks of one mount. A mount that is gone, covered
// or out of reach by now is no error.
func addDisks(disks map[string]bool, e mountEntry) error {
	if e.major == 0 && e.fsType != "btrfs" {
		return nil
	}
	ids, err := hostSys.disksOf(e, e.point)
	if err != nil { // covered by another mount, out of reach, or a Btrfs with a device missing
		ids, err = hostSys.disksOfNode(e.source)
	}
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, unix.ENOTBLK) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, id := range ids {
		if IsDisk(id) {
			disks[id] = true
		}
	}
	return nil
}

func (t sysTree) disksOfNode(node string) ([]string, error) {
	var st unix.Stat_t
	if err := unix.Stat(node, &st); err != nil {
		return nil, &os.PathError{Op: "stat", Path: node, Err: err}
	}
	if st.Mode&unix.S_IFMT != unix.S_IFBLK {
		return nil, unix.ENOTBLK
	}
	return t.wholeDisks(fmt.Sprintf("%d:%d", unix.Major(uint64(st.Rdev)), unix.Minor(uint64(st.Rdev))))
}

// addSwap reads /proc/swaps (proc(5)): a header, then one path and type a line.
func addSwap(disks map[string]bool) error {
	text, err := os.ReadFile("/proc/swaps")
	if errors.Is(err, fs.ErrNotExist) {
		return nil // a kernel without swap
	}
	if err != nil {
		return err
	}
	return addSwapOf(disks, string(text))
}

func addSwapOf(disks map[string]bool, text string) error {
	for i, line := range strings.Split(text, "\n") {
		fields := strings.Fields(line)
		if i == 0 || len(fields) < 2 {
			continue
		}
		path := unescapeMount(fields[0])
		ids, err := hostSys.disksOfNode(path)
		if errors.Is(err, unix.ENOTBLK) {
			ids, err = Disks(path)
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		for _, id := range ids {
			if IsDisk(id) {
				disks[id] = true
			}
		}
	}
	return nil
}
