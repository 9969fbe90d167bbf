package volume

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"bothy/testdata/judges"
)

func TestCard_leavesTheImageUnchanged(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		for _, dirty := range []bool{false, true} {
			name := map[bool]string{false: "clean", true: "dirty"}[dirty]
			t.Run(name, func(t *testing.T) {
				const size = 1<<20 + 100
				image := fs.filled(t, size, dirty)
				before := digest(t, image)
				node, detach := attachLoop(t, image)
				m := mountCard(t, node, fs.name)
				if m.Dirty != dirty {
					t.Errorf("Dirty = %v, want %v", m.Dirty, dirty)
				}
				got, err := os.ReadFile(filepath.Join(m.Path, clip))
				if err != nil || !bytes.Equal(got, patterned(size)) {
					t.Errorf("reading the clip gave %d bytes, %v", len(got), err)
				}
				checkCardMount(t, m)
				unmount(t, m)
				if entryOf(t, m.Path) != nil {
					t.Error("it is still mounted")
				}
				detach()
				if after := digest(t, image); after != before {
					t.Errorf("the card was changed: digest %s, before %s", after, before)
				}
			})
		}
	})
}

// checkCardMount looks at a mounted card from outside: options, gate, mode.
func checkCardMount(t *testing.T, m *Mount) {
	t.Helper()
	e := entryOf(t, m.Path)
	if e == nil {
		t.Fatal("the mount is not listed")
	}
	if !slices.Contains(strings.Split(e.superOptions, ","), "ro") {
		t.Errorf("file system options are %q, want ro", e.superOptions)
	}
	var s unix.Statfs_t
	if err := unix.Statfs(m.Path, &s); err != nil {
		t.Fatal(err)
	}
	const want = unix.ST_RDONLY | unix.ST_NODEV | unix.ST_NOSUID | unix.ST_NOEXEC
	if s.Flags&want != want {
		t.Errorf("mount flags are %#x, want all of %#x", s.Flags, want)
	}
	if ro, err := ReadOnly(m.Node); err != nil || !ro {
		t.Errorf("ReadOnly(%s) = %v, %v; want true", m.Node, ro, err)
	}
	if seq, _, err := CheckMedium(m.DiskNode); err != nil || seq != m.DiskSeq {
		t.Errorf("CheckMedium: diskseq %d, %v; the mount says %d", seq, err, m.DiskSeq)
	}
	if err := os.WriteFile(filepath.Join(m.Path, "new"), nil, 0o600); !errors.Is(err, unix.EROFS) {
		t.Errorf("creating a file on a card: %v, want EROFS", err)
	}
	if info, err := os.Stat(filepath.Dir(m.Path)); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("folder of mount points: %v, %v; want mode 0700", info.Mode(), err)
	}
}

// This is the control of the test above: without gate and options the same
// images do change, so an unchanged digest means something.
func TestCard_controlDirtyImagesChangeWithoutTheGate(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		if !fs.replays {
			t.Skipf("%s has no journal to replay", fs.name)
		}
		image := fs.filled(t, 1<<20, true)
		before := digest(t, image)
		node, detach := attachLoop(t, image)
		dir := t.TempDir()
		if err := unix.Mount(node, dir, fs.kernel, unix.MS_RDONLY, ""); err != nil {
			t.Fatal(err)
		}
		if err := unix.Unmount(dir, 0); err != nil {
			t.Fatal(err)
		}
		detach()
		if digest(t, image) == before {
			t.Error("a plain read-only mount changed nothing: the image is no test of the gate")
		}
	})
}

func TestSetReadOnly_refusesWriters(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		node := loop(t, fs.filled(t, 5000, false))
		if ro, err := ReadOnly(node); err != nil || ro {
			t.Fatalf("ReadOnly of a fresh device = %v, %v; want false", ro, err)
		}
		if err := SetReadOnly(node); err != nil {
			t.Fatal(err)
		}
		m, err := mounter(t).Drive(context.Background(), node, fs.name, false)
		if err == nil {
			m.detach()
		}
		if !errors.Is(err, ErrReadOnly) {
			t.Errorf("mounting for writing behind the gate: %v, want ErrReadOnly", err)
		}
		checkNodeRefusesWrites(t, node)
	})
}

// checkNodeRefusesWrites tries to change the first block of the device.
func checkNodeRefusesWrites(t *testing.T, node string) {
	t.Helper()
	f, err := os.OpenFile(node, os.O_RDWR|unix.O_DIRECT, 0)
	if err != nil {
		return // refused at once: EACCES or EROFS
	}
	defer f.Close()
	if _, err := f.WriteAt(AlignedBuffer(Alignment), 0); err == nil {
		t.Errorf("%s took a write", node)
	}
}

// The gate is closed for the whole disk and holds for its partitions.
func TestCard_onAPartition(t *testing.T) {
	t.Parallel()
	needRoot(t)
	disk, parts := partitioned(t, 2)
	fs := rigFileSystems[0]
	judges.Need(t, fs.mkfs[0])
	for _, p := range parts {
		run(t, append(slices.Clone(fs.mkfs), p)...)
	}
	m, err := mounter(t).Card(context.Background(), parts[0], disk, fs.name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.detach() })
	for _, node := range append(parts, disk) {
		if ro, err := ReadOnly(node); err != nil || !ro {
			t.Errorf("ReadOnly(%s) = %v, %v; want true", node, ro, err)
		}
		checkNodeRefusesWrites(t, node)
	}
	unmount(t, m)
}

// A medium may carry the wish that its errors panic the machine.
func TestMount_overridesErrorsPanic(t *testing.T) {
	t.Parallel()
	needRoot(t)
	fs := rigFileSystems[0]
	judges.Need(t, fs.mkfs[0])
	node := loop(t, fs.image(t, "-e", "panic"))
	drive := mountDrive(t, node, fs.name)
	e := entryOf(t, drive.Path)
	unmount(t, drive)
	card := mountCard(t, node, fs.name)
	for _, options := range []string{e.superOptions, entryOf(t, card.Path).superOptions} {
		if !strings.Contains(options, "errors=remount-ro") || strings.Contains(options, "panic") {
			t.Errorf("options are %q, want errors=remount-ro", options)
		}
	}
	unmount(t, card)
}

func TestCard_refuses(t *testing.T) {
	t.Parallel()
	needRoot(t)
	blank := loop(t, sparse(t, 1<<20))
	file := sparse(t, 1<<20)
	tests := []struct {
		name, node, disk, fsType string
		want                     error
	}{
		{"unknown file system", blank, blank, "minix", ErrUnsupported},
		{"no file system", blank, blank, "", ErrUnsupported},
		{"blank device", blank, blank, "ext4", unix.EINVAL},
		{"regular file", file, file, "ext4", unix.ENOTBLK},
		{"nothing there", "/dev/no-such-disk", "/dev/no-such-disk", "ext4", unix.ENOENT},
		{"partition of another disk", blank, loop(t, sparse(t, 1<<20)), "ext4", ErrNotReadOnly},
	}
	for _, tt := range tests {
		dir := t.TempDir()
		if tt.want == ErrNotReadOnly { // the row must not profit from the gate of an earlier one
			tt.node = loop(t, sparse(t, 1<<20))
		}
		m, err := Mounter{Dir: dir}.Card(context.Background(), tt.node, tt.disk, tt.fsType)
		if err == nil {
			m.detach()
		}
		if !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
		if left, _ := os.ReadDir(dir); len(left) != 0 {
			t.Errorf("%s: %d mount points were left behind", tt.name, len(left))
		}
	}
}
