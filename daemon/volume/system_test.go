package volume

import (
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// A disk in use is in use though its mount is out of sight, and though its file
// system can only be asked at the mount point (Btrfs).
func TestMountedDisks_coveredMount(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		node := loop(t, fs.image(t))
		m := mountDrive(t, node, fs.name)
		if err := unix.Mount("none", m.Path, "tmpfs", 0, "size=64k"); err != nil {
			t.Fatal(err)
		}
		points, err := MountedDisks("")
		// The same look of a test beside this one may be at it just now.
		if err := unix.Unmount(m.Path, unix.MNT_DETACH); err != nil {
			t.Fatal(err)
		}
		if err != nil {
			t.Fatal(err)
		}
		if got := points[filepath.Base(node)]; got != m.Path {
			t.Errorf("its disk is mounted at %q, want %q", got, m.Path)
		}
		except, err := MountedDisks(filepath.Dir(m.Path))
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := except[filepath.Base(node)]; ok {
			t.Errorf("our own mount at %q counts", got)
		}
		unmount(t, m)
	})
}

// Swap makes a disk the system's, as a device and as a file, whatever its name.
func TestAddSwap(t *testing.T) {
	t.Parallel()
	needRoot(t)
	node := loop(t, sparse(t, 1<<20))
	file := filepath.Join(t.TempDir(), "swap file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	below, err := Disks(file)
	if err != nil {
		t.Skipf("left out: the disk below temporary files is out of sight: %v", err)
	}
	below = slices.DeleteFunc(below, func(d string) bool { return !IsDisk(d) })
	const head = "Filename Type Size Used Priority\n"
	escaped := strings.ReplaceAll(file, " ", `\040`)
	for name, tt := range map[string]struct {
		text string
		want []string
	}{
		"none":          {head, nil},
		"a device":      {head + node + " partition 1020 0 -2\n", []string{filepath.Base(node)}},
		"a file":        {head + escaped + " file 1020 0 -2\n", below},
		"both":          {head + escaped + " file 1020 0 -2\n" + node + " partition 1020 0 -3\n", append([]string{filepath.Base(node)}, below...)},
		"one that left": {head + filepath.Join(t.TempDir(), "none") + " file 1020 0 -2\n" + node + " partition 1020 0 -3\n", []string{filepath.Base(node)}},
		"a short line":  {head + node + "\n", nil},
		"only its head": {node + " partition 1020 0 -2\n", nil},
	} {
		disks := map[string]bool{}
		if err := addSwapOf(disks, tt.text); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		slices.Sort(tt.want)
		if got := slices.Sorted(maps.Keys(disks)); !slices.Equal(got, slices.Compact(tt.want)) {
			t.Errorf("%s: %v, want %v", name, got, tt.want)
		}
	}
}

// How a file is read past the cache hangs on what its file system is. The
// numbers are those of linux/magic.h and fs/ntfs3/super.c, written out.
func TestTypeByMagic(t *testing.T) {
	t.Parallel()
	for magic, want := range map[int64]string{
		0xEF53: "ext4", 0x58465342: "xfs", 0x9123683E: "btrfs", 0xF2F52010: "f2fs", 0x4D44: "vfat", 0x2011BAB0: "exfat",
		0x7366746E: "ntfs3", 0x15013346: "udf", 0x9660: "iso9660", 0x01021994: "tmpfs", 0x858458F6: "ramfs",
		0x6969: "nfs", 0xFF534D42: "cifs", 0xFE534D42: "cifs", 0x794C7630: "overlay", 0x65735546: "fuse", 0x12345678: "",
		-0x6EDC97C2: "btrfs", // as a 32-bit machine gives it
	} {
		got := typeByMagic(magic)
		if got != want {
			t.Errorf("%#x: %q, want %q", magic, got, want)
		}
		// Nothing is read from a medium where nothing is known of it.
		onDisk := slices.Contains([]string{"ext4", "xfs", "btrfs", "f2fs", "vfat", "exfat", "ntfs3", "udf", "iso9660"}, want)
		if LimitsOf(got).DirectReadsMedium != onDisk {
			t.Errorf("%q: DirectReadsMedium is %v", got, !onDisk)
		}
		if unbacked(got) != slices.Contains([]string{"tmpfs", "ramfs", "nfs", "cifs", "overlay"}, want) {
			t.Errorf("%q: unbacked is %v", got, unbacked(got))
		}
		if onDisk && unbacked(got) {
			t.Errorf("%q is on a disk and is not", got)
		}
	}
	for _, name := range []string{"", "fuse", "something new", "f2fs", "ext2", "ext3", "btrfs", "ntfs3", "udf"} {
		if LimitsOf(name).ReadsWhileWritten && name != "ntfs3" {
			t.Errorf("a growing file on %q can be read from the medium", name)
		}
	}
	if l := LimitsOf("ext3"); l.TimeStep.Seconds() != 1 || l.MaxFileBytes != 2<<40 {
		t.Errorf("ext3: %+v", l)
	}
}

// A sector is read as such: from the medium, no more than was asked for, and not
// where the cache would read more.
func TestReadSector(t *testing.T) {
	t.Parallel()
	dir := diskFolder(t)
	root := openRoot(t, dir)
	want := patterned(3*Alignment + 700)
	writeSynced(t, filepath.Join(dir, "f"), want)
	d, err := OpenDirect(root, "f")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if d.Method() == Direct && !TakesDirect(d.fd) {
		t.Error("it is read directly and takes no direct I/O")
	}
	if d.Method() != Direct {
		t.Skipf("left out: temporary files are read by way of %q here", d.Method())
	}
	if info, err := d.Stat(); err != nil || info.Size() != d.Size() || d.Size() != int64(len(want)) {
		t.Errorf("size %d, %v", d.Size(), err)
	}
	p := AlignedBuffer(Alignment)
	n, err := d.ReadSector(p, Alignment)
	if err != nil || n != Alignment || string(p) != string(want[Alignment:2*Alignment]) {
		t.Errorf("%d bytes, %v", n, err)
	}
	if n, err := d.ReadSector(p, 3*Alignment); err != nil || n != 700 || string(p[:n]) != string(want[3*Alignment:]) {
		t.Errorf("at the end: %d bytes, %v", n, err)
	}
	if n, err := d.ReadSector(p, 100); !errors.Is(err, ErrCached) || n != 0 {
		t.Errorf("not aligned: %d bytes, %v; want ErrCached", n, err)
	}
	if n, err := d.ReadAt(p, -1); err == nil || n != 0 {
		t.Errorf("before the start: %d bytes, %v", n, err)
	}
	if n, err := d.Read(nil); err != nil || n != 0 {
		t.Errorf("nothing: %d bytes, %v", n, err)
	}
	evicted := *d
	evicted.method = Evicted
	if n, err := evicted.ReadSector(p, Alignment); !errors.Is(err, ErrCached) || n != 0 {
		t.Errorf("by way of the cache: %d bytes, %v; want ErrCached", n, err)
	}
}
