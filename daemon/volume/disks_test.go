package volume

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"bothy/testdata/judges"
)

// partitioned attaches a disk with n partitions of 32 MiB and returns the nodes.
// The kernel is told of them one by one (addpart, util-linux): not every kernel
// reads partition tables by itself.
func partitioned(t *testing.T, n int) (disk string, parts []string) {
	t.Helper()
	judges.Need(t, "addpart")
	const partSectors = 32 << 20 / 512
	disk = loop(t, sparse(t, int64(n)*32<<20+1<<20), "--partscan")
	for i := range n {
		number := strconv.Itoa(i + 1)
		node := disk + "p" + number
		// udev has a disk read again that somebody closed, and this one has no table: on a
		// slow machine the partition is gone again. What is open, the kernel does not take.
		for held := false; !held; {
			run(t, "addpart", disk, number, strconv.Itoa(2048+i*partSectors), strconv.Itoa(partSectors))
			f, err := os.Open(node)
			if errors.Is(err, os.ErrNotExist) || errors.Is(err, unix.ENXIO) {
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			held = true
			t.Cleanup(func() {
				f.Close()
				exec.Command("delpart", disk, number).Run()
			})
		}
		parts = append(parts, node)
	}
	return disk, parts
}

func TestDisks_twoPartitionsAreOneDisk(t *testing.T) {
	t.Parallel()
	needRoot(t)
	disk, parts := partitioned(t, 2)
	fs := rigFileSystems[0]
	judges.Need(t, fs.mkfs[0])
	want := []string{filepath.Base(disk)}
	for _, p := range parts {
		run(t, append(append([]string{}, fs.mkfs...), p)...)
		m := mountDrive(t, p, fs.name)
		got, err := Disks(m.Path)
		if err != nil || !cmp.Equal(got, want) {
			t.Errorf("Disks on %s = %v, %v; want %v", p, got, err, want)
		}
		if whole, err := WholeDisk(p); err != nil || whole != want[0] {
			t.Errorf("WholeDisk(%s) = %q, %v; want %q", p, whole, err, want[0])
		}
		unmount(t, m)
	}
}

func TestDisks_onEachFileSystem(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		node := loop(t, fs.image(t))
		m := mountDrive(t, node, fs.name)
		folder := filepath.Join(m.Path, "a", "b")
		if err := os.MkdirAll(folder, 0o755); err != nil {
			t.Fatal(err)
		}
		want := []string{filepath.Base(node)}
		if got, err := Disks(folder); err != nil || !cmp.Equal(got, want) {
			t.Errorf("Disks = %v, %v; want %v", got, err, want)
		}
		if on, err := OnDisk(folder); err != nil || !on {
			t.Errorf("OnDisk = %v, %v; want true", on, err)
		}
		mounted, err := MountedDisks("")
		if err != nil || mounted[want[0]] != m.Path {
			t.Errorf("MountedDisks gives %q for %s, %v; want %q", mounted[want[0]], want[0], err, m.Path)
		}
		mounted, err = MountedDisks(filepath.Dir(m.Path))
		if _, ok := mounted[want[0]]; ok || err != nil {
			t.Errorf("MountedDisks without our own folder still lists %s, %v", want[0], err)
		}
		unmount(t, m)
	})
}

func TestDisks_withoutADisk(t *testing.T) {
	t.Parallel()
	tests := []struct {
		line, want string
	}{
		{"25 1 0:23 / /run rw - tmpfs tmpfs rw,size=1k", "memory:tmpfs"},
		{"25 1 0:23 / /mnt/nas rw - nfs4 rock:/export/skua rw", "network:rock:/export/skua"},
		{"25 1 0:23 / /mnt/w rw - cifs //rock/skua rw", "network://rock/skua"},
		{"25 1 0:23 / / rw - overlay overlay rw,lowerdir=/a", "stacked:overlay"},
		{"25 1 0:23 / /mnt/s rw - fuse.sshfs me@rock:/ rw", "fuse:fuse.sshfs:me@rock:/"},
		{"25 1 0:23 / /proc rw - proc proc rw", "other:proc:proc"},
	}
	for _, tt := range tests {
		e, ok := parseMountLine(tt.line)
		if !ok {
			t.Fatalf("%q was not understood", tt.line)
		}
		got, err := hostSys.disksOf(e, "/nowhere")
		if err != nil || !cmp.Equal(got, []string{tt.want}) {
			t.Errorf("%s: %v, %v; want %s", tt.line, got, err, tt.want)
		}
		if IsDisk(tt.want) {
			t.Errorf("IsDisk(%q) = true", tt.want)
		}
	}
	if on, err := OnDisk("/proc"); err != nil || on {
		t.Errorf("OnDisk(/proc) = %v, %v; want false", on, err)
	}
}

// fakeSys builds a tree of devices as /sys shows them: "name" is a device in
// devices/, "parent/name" a partition; slaves link by path.
func fakeSys(t *testing.T, numbers map[string]string, slaves map[string][]string) sysTree {
	t.Helper()
	root := t.TempDir()
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.MkdirAll(filepath.Join(root, "dev/block"), 0o755))
	for number, path := range numbers {
		dir := filepath.Join(root, "devices", path)
		must(os.MkdirAll(filepath.Join(dir, "slaves"), 0o755))
		if strings.Contains(path, "/") {
			must(os.WriteFile(filepath.Join(dir, "partition"), []byte("1\n"), 0o600))
		}
		must(os.Symlink(dir, filepath.Join(root, "dev/block", number)))
	}
	for path, below := range slaves {
		for _, s := range below {
			must(os.Symlink(filepath.Join(root, "devices", s), filepath.Join(root, "devices", path, "slaves", filepath.Base(s))))
		}
	}
	return sysTree(root)
}

func TestWholeDisks_throughLayers(t *testing.T) {
	t.Parallel()
	sys := fakeSys(t, map[string]string{
		"8:0": "sda", "8:1": "sda/sda1", "8:2": "sda/sda2", "8:16": "sdb", "8:17": "sdb/sdb1",
		"259:0": "nvme0n1", "259:1": "nvme0n1/nvme0n1p1", "9:0": "md0", "253:0": "dm-0", "253:1": "dm-1",
		"7:3": "loop3", "252:0": "zram0", "43:0": "nbd0", "253:7": "dm-7", "253:8": "dm-8",
	}, map[string][]string{
		"md0":  {"sda/sda1", "sdb/sdb1"},
		"dm-0": {"nvme0n1/nvme0n1p1"},
		"dm-1": {"md0", "dm-0"},
		"dm-7": {"dm-8"}, "dm-8": {"dm-7"}, // impossible, and must not hang
	})
	tests := []struct {
		number string
		want   []string
	}{
		{"8:0", []string{"sda"}},
		{"8:2", []string{"sda"}},
		{"259:1", []string{"nvme0n1"}},
		{"9:0", []string{"sda", "sdb"}},
		{"253:0", []string{"nvme0n1"}},
		{"253:1", []string{"nvme0n1", "sda", "sdb"}},
		{"7:3", []string{"loop3"}},
		{"252:0", []string{"memory:zram0"}},
		{"43:0", []string{"network:nbd0"}},
	}
	for _, tt := range tests {
		got, err := sys.wholeDisks(tt.number)
		if err != nil || !cmp.Equal(got, tt.want) {
			t.Errorf("%s: %v, %v; want %v", tt.number, got, err, tt.want)
		}
	}
	for _, bad := range []string{"253:7", "1:1"} {
		if got, err := sys.wholeDisks(bad); err == nil {
			t.Errorf("%s: %v, want an error", bad, got)
		}
	}
}

func TestSystemDisks_holdsTheRoot(t *testing.T) {
	t.Parallel()
	root, err := Disks("/")
	if err != nil {
		t.Skipf("left out: the root file system's disk is out of sight: %v", err)
	}
	system, err := SystemDisks()
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range root {
		if IsDisk(d) && !system[d] {
			t.Errorf("SystemDisks lacks %s, which holds /", d)
		}
	}
	for d := range system {
		if strings.HasPrefix(d, "zram") || strings.HasPrefix(d, "loop") {
			t.Errorf("SystemDisks lists %s", d)
		}
	}
}

func TestIsSystemPoint(t *testing.T) {
	t.Parallel()
	for point, want := range map[string]bool{
		"/": true, "/boot": true, "/boot/efi": true, "/var": true, "/home": true, "/usr/local": true,
		"/mnt/nas": false, "/media/disk": false, "/run/bothy/mounts/m-1": false, "/bootleg": false, "/tmp/x": false,
	} {
		if got := isSystemPoint(point); got != want {
			t.Errorf("isSystemPoint(%q) = %v, want %v", point, got, want)
		}
	}
}
