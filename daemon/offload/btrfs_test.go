package offload

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bothy/daemon/volume"
)

// TestRun_smallFilesOnBtrfs: Btrfs keeps small files within its own records
// (btrfs(5), max_inline), where no direct read reaches them. They have to be
// proven all the same.
func TestRun_smallFilesOnBtrfs(t *testing.T) {
	t.Parallel()
	mnt := loopMount(t, "btrfs", 128<<20)
	limits, err := volume.LimitsAt(mnt)
	if err != nil {
		t.Fatal(err)
	}
	g := newRig(t, mnt, tree{"a": file1(noise(1, 1)), "b": file1(noise(2, 100)), "c": file1(noise(3, 2048)), "d": file1(nil)}, 1)
	g.drives[0].FS.(*RootFS).Limits, g.drives[0].noFlush = limits, false
	g.job.Drives[0].Limits = limits
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0)
	g.audit(t, res)
}

// mkfsOptions: no room is kept for root, who would find a full drive never full.
var mkfsOptions = map[string][]string{"btrfs": {"-q"}, "xfs": {"-q"}, "ext4": {"-q", "-m", "0"}, "vfat": {"-F", "32"}}

// loopMount gives a file system of its own.
func loopMount(t *testing.T, fsType string, sizeBytes int64) string {
	t.Helper()
	mkfs, err := exec.LookPath("mkfs." + fsType)
	if err != nil || os.Geteuid() != 0 {
		t.Skipf("left out: needs root and mkfs.%s", fsType)
	}
	dir := memoryDir(t) // the loop device is disk enough
	image, mnt := filepath.Join(dir, "image"), filepath.Join(dir, "mnt")
	if err := os.WriteFile(image, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(image, sizeBytes); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(mnt, 0o755); err != nil {
		t.Fatal(err)
	}
	device := ""
	for _, args := range [][]string{
		append(append([]string{mkfs}, mkfsOptions[fsType]...), image), {"losetup", "--find", "--show", image},
		// A device that somebody before us set read-only would still be.
		{"blockdev", "--setrw", "DEVICE"}, {"mount", "DEVICE", mnt},
	} {
		for i := range args {
			args[i] = strings.Replace(args[i], "DEVICE", device, 1)
		}
		out, err := exec.Command(args[0], args[1:]...).CombinedOutput()
		if err != nil {
			if strings.Contains(string(out), "unknown filesystem type") {
				t.Skipf("left out: this kernel has no driver for %s", fsType)
			}
			t.Skipf("left out: %v: %v: %s", args, err, out)
		}
		if args[0] == "losetup" {
			device = strings.TrimSpace(string(out))
			t.Cleanup(func() { undo(t, "losetup", "--detach", device) })
		}
	}
	// Lazily: a program that another test is just starting may hold it for a moment.
	t.Cleanup(func() { undo(t, "umount", "--lazy", mnt) })
	return mnt
}

func undo(t *testing.T, args ...string) {
	t.Helper()
	if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
		t.Errorf("%v: %v: %s", args, err, out)
	}
}
