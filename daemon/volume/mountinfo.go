package volume

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// mountEntry is one line of /proc/self/mountinfo (proc_pid_mountinfo(5)).
type mountEntry struct {
	id           int
	major, minor uint32
	root         string // which folder of the file system is mounted
	point        string // where
	fsType       string
	source       string
	superOptions string
}

const maxMountinfoLine = 64 << 10

// parseMountinfo skips lines that it does not understand: one odd mount must
// not hide the others.
func parseMountinfo(r io.Reader) ([]mountEntry, error) {
	var entries []mountEntry
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 0, 4096), maxMountinfoLine)
	for lines.Scan() {
		if e, ok := parseMountLine(lines.Text()); ok {
			entries = append(entries, e)
		}
	}
	return entries, lines.Err()
}

func parseMountLine(line string) (mountEntry, bool) {
	before, after, ok := strings.Cut(line, " - ")
	f, g := strings.Fields(before), strings.Fields(after)
	if !ok || len(f) < 6 || len(g) < 2 {
		return mountEntry{}, false
	}
	id, err := strconv.Atoi(f[0])
	if err != nil {
		return mountEntry{}, false
	}
	majorText, minorText, _ := strings.Cut(f[2], ":")
	major, err1 := strconv.ParseUint(majorText, 10, 32)
	minor, err2 := strconv.ParseUint(minorText, 10, 32)
	if err1 != nil || err2 != nil {
		return mountEntry{}, false
	}
	e := mountEntry{
		id: id, major: uint32(major), minor: uint32(minor),
		root: unescapeMount(f[3]), point: unescapeMount(f[4]),
		fsType: g[0], source: unescapeMount(g[1]),
	}
	if len(g) > 2 {
		e.superOptions = g[2]
	}
	return e, true
}

// unescapeMount undoes the octal escapes (\040 for a space) of mountinfo.
func unescapeMount(s string) string {
	if !strings.Contains(s, `\`) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+3 < len(s) {
			if n, err := strconv.ParseUint(s[i+1:i+4], 8, 8); err == nil {
				b.WriteByte(byte(n))
				i += 3
				continue
			}
		}
		b.WriteByte(s[i])
	}
	return b.String()
}

func mounts() ([]mountEntry, error) {
	f, err := os.Open("/proc/self/mountinfo")
	if err != nil {
		return nil, fmt.Errorf("list mounts: %w", err)
	}
	defer f.Close()
	entries, err := parseMountinfo(f)
	if err != nil {
		return nil, fmt.Errorf("list mounts: %w", err)
	}
	return entries, nil
}

var errNoMount = errors.New("its mount is not listed")

// mountOf finds the mount that path is on, by the mount's number where the
// kernel tells it (Linux 5.8) and else by the device's.
func mountOf(path string) (mountEntry, error) {
	var st unix.Statx_t
	if err := unix.Statx(unix.AT_FDCWD, path, unix.AT_STATX_SYNC_AS_STAT, unix.STATX_BASIC_STATS|unix.STATX_MNT_ID, &st); err != nil {
		return mountEntry{}, err
	}
	entries, err := mounts()
	if err != nil {
		return mountEntry{}, err
	}
	for i := len(entries) - 1; i >= 0; i-- { // later mounts cover earlier ones
		e := entries[i]
		if st.Mask&unix.STATX_MNT_ID != 0 {
			if uint64(e.id) == st.Mnt_id {
				return e, nil
			}
		} else if e.major == st.Dev_major && e.minor == st.Dev_minor {
			return e, nil
		}
	}
	return mountEntry{}, errNoMount
}
