package offload

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"bothy/daemon/state"
	"bothy/daemon/volume"
)

var fullOn = flag.String("full-on", "ext4", "file systems that run full in TestFull, with commas between; this kernel must have them")

const (
	fullSpan = 16 << 20
	fullStep = 64 << 10 // 16 times as much with the race detector, which is slow
)

// fullRig is a card, a drive with room for ever, and one that is filled up while
// the engine writes.
type fullRig struct {
	*rig
	filler string // eats the room; none of the engine's
}

func newFullRig(t *testing.T, fsType string) *fullRig {
	t.Helper()
	sizes := map[string]int64{"ext4": 64 << 20, "xfs": 320 << 20, "btrfs": 160 << 20, "vfat": 64 << 20, "exfat": 64 << 20}
	mnt := loopMount(t, fsType, sizes[fsType])
	base := memoryDir(t)
	at := filepath.Join(base, "drive1")
	if err := os.Mkdir(at, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount(mnt, at, "", unix.MS_BIND, ""); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(at, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	tr := tree{"DCIM/101/CLIP1.MOV": file1(noise(1, 8<<20+123)), "DCIM/101/CLIP2.MOV": file1(noise(2, 4<<20+4097)), "DCIM/101/CLIP3.MOV": file1(noise(3, 1<<20+1))}
	for i := range 40 {
		tr[fmt.Sprintf("DCIM/100/SKUA%04d.JPG", i)] = file1(noise(i, 20_000+i))
	}
	for name, n := range tr { // whole seconds, even ones, which FAT can hold too
		n.at = n.at.Truncate(2e9)
		tr[name] = n
	}
	g := &fullRig{newRig(t, base, tr, 2), filepath.Join(at, "filler")}
	if err := os.RemoveAll(filepath.Join(at, "lost+found")); err != nil { // a stranger to the audit
		t.Fatal(err)
	}
	limits, err := volume.LimitsAt(at)
	if err != nil {
		t.Fatal(err)
	}
	g.job.Drives[1].Limits = limits
	g.drives[1].FS.(*RootFS).Limits = limits
	g.reset(t)
	return g
}

// reset takes both copies away and gives the drives fresh accounts.
func (g *fullRig) reset(t *testing.T) {
	t.Helper()
	if err := os.RemoveAll(g.filler); err != nil {
		t.Fatal(err)
	}
	for i := range g.drives {
		for _, name := range []string{testFolder, testFolder + UnfinishedSuffix} {
			if err := os.RemoveAll(g.on(i, name)); err != nil {
				t.Fatal(err)
			}
		}
		g.drives[i] = newFaultFS(g.drives[i].FS)
		g.drives[i].noFlush = i == 0 // the first is memory
		g.job.Drives[i].FS = g.drives[i]
	}
	if err := g.drives[1].FS.SyncAll(); err != nil {
		t.Fatal(err)
	}
}

// fill leaves that much room on the second drive, as somebody else would who
// writes there too.
func (g *fullRig) fill(t tester, leave int64) {
	f, err := os.OpenFile(g.filler, os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		t.Errorf("fill: %v", err)
		return
	}
	defer f.Close()
	have := int64(0)
	for range 8 {
		var s unix.Statfs_t
		if err := unix.Statfs(filepath.Dir(g.filler), &s); err != nil {
			t.Errorf("fill: %v", err)
			return
		}
		more := int64(s.Bavail)*s.Bsize - leave
		if more < s.Bsize {
			return
		}
		// A file system that keeps blocks for itself gives less than it says.
		for ; more >= s.Bsize; more -= max(s.Bsize, more/64) {
			if err = grow(f, have, more); err == nil {
				have += more
				break
			}
		}
	}
}

// grow takes room by allocating it, or by writing where that is not to be had.
func grow(f *os.File, at, more int64) error {
	err := unix.Fallocate(int(f.Fd()), 0, at, more)
	if !errors.Is(err, unix.EOPNOTSUPP) {
		return err
	}
	block := make([]byte, 1<<20)
	for more > 0 {
		n, err := f.WriteAt(block[:min(more, int64(len(block)))], at)
		at, more = at+int64(n), more-int64(n)
		if err != nil {
			return err
		}
	}
	return f.Sync()
}

// run runs the engine once, with that much room from a certain call on.
func (g *fullRig) run(t *testing.T, leave int64, from func(call) bool) state.CopyPhase {
	t.Helper()
	g.reset(t)
	filled := false
	g.drives[1].hook = func(c call) *fault {
		if filled || !from(c) {
			return nil
		}
		filled = true
		return &fault{before: func() { g.fill(t, leave) }}
	}
	res := Run(context.Background(), g.job)
	if !filled {
		t.Fatal("it never came to the point where room was to run out")
	}
	if err := os.Remove(g.filler); err != nil { // else the audit calls it a stranger
		t.Fatal(err)
	}
	g.audit(t, res)
	mustProve(t, res, 0)
	c := res.Copies[1]
	if c.Phase == state.CopyProven {
		return c.Phase
	}
	if c.Phase != state.CopyFailed || !errors.Is(c.Err, ErrDriveFull) || !strings.Contains(c.Err.Error(), "the drive is full") {
		t.Errorf("with %d bytes left the copy is %s: %v", leave, c.Phase, c.Err)
	}
	if _, err := os.Lstat(g.on(1, testFolder)); err == nil {
		t.Errorf("with %d bytes left there is a finished folder", leave)
	}
	g.noPartialFile(t, leave)
	return c.Phase
}

// noPartialFile: what is left of an unfinished copy are whole files.
func (g *fullRig) noPartialFile(t *testing.T, leave int64) {
	t.Helper()
	top := g.on(1, testFolder+UnfinishedSuffix)
	err := filepath.WalkDir(top, func(full string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name, _ := filepath.Rel(top, full)
		if strings.HasPrefix(name, "ascmhl/") {
			return nil
		}
		got, err := os.ReadFile(full)
		if err == nil && !bytes.Equal(got, g.tree[name].data) {
			err = fmt.Errorf("%q is there with %d bytes of %d", name, len(got), len(g.tree[name].data))
		}
		return err
	})
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("with %d bytes left: %v", leave, err)
	}
}

func firstCreate(c call) bool { return c.kind == "create" }

// Failure catalogue, rows 9 and 16. Room runs out at every 64 KiB of 16 MiB,
// taken away by somebody else after preflight found enough.
func TestFull_atEveryStep(t *testing.T) {
	t.Parallel()
	eachFull(t, func(t *testing.T, g *fullRig) {
		ends, step := map[state.CopyPhase]int{}, int64(fullStep)
		if raceDetector {
			step *= 16
		}
		for leave := int64(0); leave < fullSpan; leave += step {
			ends[g.run(t, leave, firstCreate)]++
			if t.Failed() {
				return
			}
		}
		t.Logf("%d steps: %v", fullSpan/step, ends)
		// Btrfs says that there is room where there is none.
		if ends[state.CopyFailed] == 0 || ends[state.CopyProven] == 0 && g.job.Drives[1].Limits.FSType != "btrfs" {
			t.Errorf("the steps were all alike: %v", ends)
		}
	})
}

// When all files are proven and only the manifest is to be written, room runs
// out at every block of what that takes.
func TestFull_atTheManifest(t *testing.T) {
	t.Parallel()
	eachFull(t, func(t *testing.T, g *fullRig) {
		ends := map[state.CopyPhase]int{}
		sealing := func(c call) bool { return c.kind == "sync dir" && c.name == testFolder+UnfinishedSuffix }
		for leave := int64(0); leave < 96<<10; leave += 4 << 10 {
			ends[g.run(t, leave, sealing)]++
			if t.Failed() {
				return
			}
		}
		t.Logf("%v", ends)
		if ends[state.CopyFailed] == 0 {
			t.Errorf("the manifest always found room: %v", ends)
		}
	})
}

func eachFull(t *testing.T, test func(t *testing.T, g *fullRig)) {
	t.Helper()
	for fsType := range strings.SplitSeq(*fullOn, ",") {
		t.Run(fsType, func(t *testing.T) {
			t.Parallel()
			if _, err := exec.LookPath("losetup"); err != nil {
				t.Skip("left out: losetup is not installed")
			}
			test(t, newFullRig(t, fsType))
		})
	}
}
