package offload

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"bothy/daemon/mhl"
	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// TestRun_refuses: what cannot go well is refused before the first byte, and
// the other drive has its copy.
func TestRun_refuses(t *testing.T) {
	t.Parallel()
	vfat := volume.LimitsOf("vfat")
	for _, tc := range []struct {
		name string
		tree tree
		make func(t *testing.T, g *rig)
		is   error
		says string
	}{
		{"no room", smallCard(), func(_ *testing.T, g *rig) { g.job.Drives[0].FreeBytes = 1 << 20 }, ErrDriveFull, "are needed"},
		{"room only within the reserve", smallCard(), func(_ *testing.T, g *rig) { g.job.Drives[0].ReserveBytes = 1<<40 - 1<<20 }, ErrDriveFull, "reserve"},
		// FAT32's largest file is 2^32-1 bytes: Microsoft's FAT32 File System
		// Specification, 2000, keeps the size in a field of 32 bits.
		{"a file of 4 GiB on FAT32", tree{"A.MOV": file1(nil)}, func(t *testing.T, g *rig) {
			g.job.Drives[0].Limits = vfat
			g.sparse(t, "A.MOV", 1<<32)
		}, ErrRefused, `"A.MOV" has 4.3 GB`},
		{"names that differ in case", tree{"dcim/a.jpg": file1(nil), "DCIM/b.jpg": file1(nil)}, func(_ *testing.T, g *rig) { g.job.Drives[0].Limits = vfat }, ErrRefused, "cannot tell"},
		{"a forbidden character", tree{`what?.jpg`: file1(nil)}, func(_ *testing.T, g *rig) { g.job.Drives[0].Limits = vfat }, ErrRefused, "what?.jpg"},
		{"a final dot in a folder", tree{"tail./a.jpg": file1(nil)}, func(_ *testing.T, g *rig) { g.job.Drives[0].Limits = vfat }, ErrRefused, "tail."},
		{"the finished name is taken", smallCard(), func(t *testing.T, g *rig) { g.take(t, testFolder) }, ErrRefused, "is there already"},
		{"the incomplete name is taken", smallCard(), func(t *testing.T, g *rig) { g.take(t, testFolder+IncompleteSuffix) }, ErrRefused, "is there already"},
		{"somebody's unfinished work", smallCard(), func(t *testing.T, g *rig) { g.take(t, testFolder+UnfinishedSuffix) }, ErrRefused, "is there already"},
		{"the unfinished folder is a file", smallCard(), func(t *testing.T, g *rig) {
			g.take(t, testFolder+UnfinishedSuffix)
			g.job.Drives[0].Resume = true
		}, ErrRefused, "something else"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			g := newRig(t, memoryDir(t), tc.tree, 2)
			tc.make(t, g)
			if strings.HasPrefix(tc.name, "a file of 4 GiB") {
				g.job.Drives = g.job.Drives[:1] // the other would copy it all
			}
			res := Run(context.Background(), g.job)
			c := res.Copies[0]
			if c.Phase != state.CopyRefused || !errors.Is(c.Err, tc.is) || !strings.Contains(c.Err.Error(), tc.says) || c.Folder != "" {
				t.Errorf("%s: %v", c.Phase, c.Err)
			}
			if len(res.Copies) > 1 {
				mustProve(t, res, 1)
			}
			for _, kind := range []string{"mkdir", "create", "remove", "rename", "set time"} {
				if n := g.drives[0].count(kind); n > 0 {
					t.Errorf("%d calls of %s", n, kind)
				}
			}
		})
	}
}

// sparse makes a file of the card as long as wanted, without its bytes.
func (g *rig) sparse(t *testing.T, name string, sizeBytes int64) {
	t.Helper()
	if err := os.Truncate(filepath.Join(g.base, "card", name), sizeBytes); err != nil {
		t.Fatal(err)
	}
	g.plan(t)
}

func (g *rig) take(t *testing.T, name string) {
	t.Helper()
	if err := os.WriteFile(g.on(0, name), nil, 0o644); err != nil {
		t.Fatal(err)
	}
}

// TestPreflight_largestFAT32File: one byte less fits.
func TestPreflight_largestFAT32File(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), tree{"A.MOV": file1(nil)}, 1)
	g.job.Drives[0].Limits = volume.LimitsOf("vfat")
	g.sparse(t, "A.MOV", 1<<32-1)
	if err := newRun(&g.job).targets[0].preflight(); err != nil {
		t.Error(err)
	}
}

// TestRun_driveThatTakesNothing: it cannot be written, is full or gone, and
// further attempts would be in vain.
func TestRun_driveThatTakesNothing(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		errno syscall.Errno
		is    error
		kind  string
	}{
		{syscall.EROFS, syscall.EROFS, "create"}, {syscall.EROFS, syscall.EROFS, "mkdir"}, {syscall.EROFS, syscall.EROFS, "rename"},
		{syscall.ENOSPC, ErrDriveFull, "write"}, {syscall.EDQUOT, ErrDriveFull, "write"},
		{syscall.ENODEV, ErrDriveGone, "sync"}, {syscall.ENXIO, ErrDriveGone, "open medium"},
	} {
		t.Run(fmt.Sprintf("%v at %s", tc.errno, tc.kind), func(t *testing.T) {
			t.Parallel()
			g := newRig(t, memoryDir(t), smallCard(), 2)
			g.drives[0].hook = func(c call) *fault {
				if c.kind == tc.kind && c.ofKind == 1 {
					return &fault{err: tc.errno}
				}
				return nil
			}
			res := Run(context.Background(), g.job)
			mustProve(t, res, 1)
			g.audit(t, res)
			if c := res.Copies[0]; c.Phase != state.CopyFailed || !errors.Is(c.Err, tc.is) {
				t.Errorf("%s: %v", c.Phase, c.Err)
			}
		})
	}
}

// TestRun_invalid: a job that makes no sense is refused and does not panic.
func TestRun_invalid(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*Job){
		"checksum": func(j *Job) { j.Checksum = "crc32" },
		"level":    func(j *Job) { j.Verify = "blindly" },
		"plan":     func(j *Job) { j.Plan = nil },
		"clock":    func(j *Job) { j.Now = nil },
		"card":     func(j *Job) { j.Card.FS = nil },
	} {
		g := newRig(t, memoryDir(t), smallCard(), 2)
		change(&g.job)
		if res := Run(context.Background(), g.job); phases(res) != "refused refused" || !errors.Is(res.Copies[0].Err, ErrRefused) {
			t.Errorf("%s: %s", name, phases(res))
		}
	}
}

// TestPlan_leavesOut: what no copy can hold is named, never followed.
func TestPlan_leavesOut(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), tree{"DCIM/a.jpg": file1([]byte("a")), ".Trashes/b": file1(nil)}, 1)
	card := filepath.Join(g.base, "card")
	for name, target := range map[string]string{"out": "/etc", "DCIM/up": "../../drive0", "dangling": "nowhere"} {
		if err := os.Symlink(target, filepath.Join(card, name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := syscall.Mkfifo(filepath.Join(card, "pipe"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"bad\xff.jpg", "bell\a.jpg"} {
		if err := os.WriteFile(filepath.Join(card, name), nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	ignore, err := mhl.ParseIgnore([]string{".Trashes/"})
	if err != nil {
		t.Fatal(err)
	}
	if g.job.Plan, err = NewPlan(context.Background(), g.card, ignore); err != nil {
		t.Fatal(err)
	}
	why := map[string]string{}
	for _, l := range g.job.Plan.LeftOut {
		why[l.Path] = l.Why
	}
	for name, word := range map[string]string{"out": "link", "DCIM/up": "link", "dangling": "link", "pipe": "pipe",
		"bad\xff.jpg": "manifest", "bell\a.jpg": "manifest", ".Trashes": "ignored"} {
		if !strings.Contains(why[name], word) {
			t.Errorf("%q is left out because %q", name, why[name])
		}
	}
	if len(why) != 7 || g.job.Plan.Held() != 6 || len(g.job.Plan.Files) != 1 {
		t.Errorf("%d left out, %d of them hold the card, %d files", len(why), g.job.Plan.Held(), len(g.job.Plan.Files))
	}
	mustProve(t, Run(context.Background(), g.job), 0)
}
