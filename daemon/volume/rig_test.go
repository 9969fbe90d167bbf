package volume

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"golang.org/x/sys/unix"

	"bothy/testdata/judges"
)

// rigFS is one row of the table that the tests on real file systems run over.
// A row is skipped only where the kernel has no driver for it, so the same test
// binary covers more of them in a guest with a full kernel.
type rigFS struct {
	name      string // blkid's name
	kernel    string // the kernel's
	sizeBytes int64
	mkfs      []string
	// replays: a plain read-only mount of a dirty image changes it (measured).
	replays bool
}

var rigFileSystems = []rigFS{
	{"ext4", "ext4", 64 << 20, []string{"mkfs.ext4", "-q", "-F"}, true},
	{"ext3", "ext4", 64 << 20, []string{"mkfs.ext3", "-q", "-F"}, true},
	{"ext2", "ext4", 64 << 20, []string{"mkfs.ext2", "-q", "-F"}, false},
	{"xfs", "xfs", 320 << 20, []string{"mkfs.xfs", "-q", "-f"}, true},
	{"btrfs", "btrfs", 160 << 20, []string{"mkfs.btrfs", "-q", "-f"}, true},
	{"vfat", "vfat", 64 << 20, []string{"mkfs.vfat", "-F", "32"}, false},
	{"exfat", "exfat", 64 << 20, []string{"mkfs.exfat"}, false},
	{"ntfs", "ntfs3", 64 << 20, []string{"mkfs.ntfs", "-q", "-Q", "-F"}, false},
}

// eachFS runs test over every file system that this kernel has.
func eachFS(t *testing.T, test func(t *testing.T, fs rigFS)) {
	needRoot(t)
	for _, fs := range rigFileSystems {
		t.Run(fs.name, func(t *testing.T) {
			t.Parallel()
			needDriver(t, fs)
			test(t, fs)
		})
	}
}

func needRoot(t *testing.T) {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("left out: loop devices and mounting need root")
	}
	judges.Need(t, "losetup")
}

// needDriver skips where the kernel lacks the file system: mounting a blank
// device then says ENODEV and else anything but that.
func needDriver(t *testing.T, fs rigFS) {
	t.Helper()
	blank := loop(t, sparse(t, 1<<20))
	if err := unix.Mount(blank, t.TempDir(), fs.kernel, unix.MS_RDONLY, ""); errors.Is(err, unix.ENODEV) {
		t.Skipf("left out: this kernel has no driver for %s", fs.name)
	}
	judges.Need(t, fs.mkfs[0])
}

func run(t *testing.T, command ...string) string {
	t.Helper()
	out, err := exec.Command(command[0], command[1:]...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(command, " "), err, out)
	}
	return strings.TrimSpace(string(out))
}

func sparse(t *testing.T, sizeBytes int64) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "image")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, sizeBytes); err != nil {
		t.Fatal(err)
	}
	return path
}

// image makes a fresh file system in a file.
func (fs rigFS) image(t *testing.T, extra ...string) string {
	t.Helper()
	path := sparse(t, fs.sizeBytes)
	run(t, append(append(append([]string{}, fs.mkfs...), extra...), path)...)
	return path
}

// loop attaches an image for the length of the test.
func loop(t *testing.T, image string, options ...string) string {
	t.Helper()
	node, _ := attachLoop(t, image, options...)
	return node
}

// attachLoop attaches an image until detach is called, so that its digest is
// final, or until the test ends. A device must never be detached twice: it may
// be somebody else's by then.
func attachLoop(t *testing.T, image string, options ...string) (node string, detach func()) {
	t.Helper()
	node = run(t, append(append([]string{"losetup", "--find", "--show"}, options...), image)...)
	var once sync.Once
	detach = func() {
		once.Do(func() {
			_ = SetWritable(node) // for the next one to get it; refused on --read-only
			if out, err := exec.Command("losetup", "-d", node).CombinedOutput(); err != nil {
				t.Errorf("detach %s: %v: %s", node, err, out)
			}
		})
	}
	t.Cleanup(detach)
	// A loop device keeps the gate of whoever had it before.
	if err := SetWritable(node); err != nil && !slices.Contains(options, "--read-only") {
		t.Fatal(err)
	}
	return node, detach
}

func digest(t *testing.T, path string) string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func mounter(t *testing.T) Mounter {
	t.Helper()
	return Mounter{Dir: filepath.Join(t.TempDir(), "mounts")}
}

func mountDrive(t *testing.T, node, fsType string) *Mount {
	t.Helper()
	m, err := mounter(t).Drive(context.Background(), node, fsType, false)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.detach() }) // for a test that stops early
	return m
}

func mountCard(t *testing.T, node, fsType string) *Mount {
	t.Helper()
	m, err := mounter(t).Card(context.Background(), node, node, fsType)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.detach() })
	return m
}

func unmount(t *testing.T, m *Mount) {
	t.Helper()
	if err := m.Unmount(context.Background()); err != nil {
		t.Fatal(err)
	}
}

// filled makes an image that holds DCIM/100SKUAS/CLIP0001.MOV with patterned(size).
// With dirty set it is a copy taken while the file system was mounted and had
// just been written, as a card looks that was pulled in mid-recording.
func (fs rigFS) filled(t *testing.T, size int, dirty bool) string {
	t.Helper()
	path := fs.image(t)
	node, detach := attachLoop(t, path)
	m := mountDrive(t, node, fs.name)
	if err := os.MkdirAll(filepath.Join(m.Path, "DCIM/100SKUAS"), 0o755); err != nil {
		t.Fatal(err)
	}
	writeSynced(t, filepath.Join(m.Path, clip), patterned(size))
	unmount(t, m)
	if !dirty {
		detach()
		return path
	}
	m = mountDrive(t, node, fs.name)
	// The first write may make Btrfs commit everything; what is flushed after a
	// commit stands in its log tree alone.
	writeSynced(t, filepath.Join(m.Path, "DCIM/100SKUAS/CLIP0002.MOV"), patterned(70_000))
	if err := m.Flush(); err != nil {
		t.Fatal(err)
	}
	writeSynced(t, filepath.Join(m.Path, "DCIM/100SKUAS/CLIP0003.MOV"), patterned(70_000))
	copied := filepath.Join(t.TempDir(), "dirty")
	run(t, "cp", "--sparse=always", path, copied)
	unmount(t, m)
	detach()
	return copied
}

const clip = "DCIM/100SKUAS/CLIP0001.MOV"

// entryOf finds the mount at a point, nil when there is none.
func entryOf(t *testing.T, point string) *mountEntry {
	t.Helper()
	entries, err := mounts()
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.point == point {
			return &e
		}
	}
	return nil
}
