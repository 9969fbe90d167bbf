package offload

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// interrupted runs until the card has given half of its files, and prepares to
// go on as a later life of the daemon would, from what was noted.
func interrupted(t *testing.T, tr tree, change func(*rig)) *rig {
	t.Helper()
	g := newRig(t, memoryDir(t), tr, 2)
	s := &slot{}
	g.job.Card.Medium = s
	if change != nil {
		change(g)
	}
	if g.card.hook == nil {
		g.card.hook = func(c call) *fault {
			if c.kind == "open" && c.ofKind > 2*settleEvery {
				s.set(ErrCardGone, ErrCardGone)
			}
			return nil
		}
	}
	res := Run(context.Background(), g.job)
	if !errors.Is(res.CardErr, ErrCardGone) {
		t.Fatalf("first run: %v, %s", res.CardErr, phases(res))
	}
	g.audit(t, res)
	g.goOn()
	return g
}

// goOn readies the job for another run.
func (g *rig) goOn() {
	g.job.Known = g.rec.sums
	for i := range g.job.Drives {
		d := &g.job.Drives[i]
		d.Resume, d.Held = true, g.rec.held(d.ID)
		*g.drives[i] = *newFaultFS(g.drives[i].FS)
	}
	*g.card = *newFaultFS(g.card.FS)
	g.job.Card.Medium = &slot{}
}

// TestRun_resumes: what is proven is read back and not written again.
func TestRun_resumes(t *testing.T) {
	t.Parallel()
	const files = 3*settleEvery + 3
	g := interrupted(t, manySmall(files), nil)
	held := g.job.Drives[0].Held
	if len(held) == 0 || len(held) == files {
		t.Fatalf("%d files are held, so this test shows nothing", len(held))
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0, 1)
	g.audit(t, res)
	for i, d := range g.drives {
		if n := d.count("create"); n != files-len(g.job.Drives[i].Held) {
			t.Errorf("drive %d: %d files were written, want %d", i, n, files-len(g.job.Drives[i].Held))
		}
	}
	if n := g.card.count("open"); n != files-len(held) {
		t.Errorf("%d files of the card were read, want %d", n, files-len(held))
	}
}

// TestRun_resumesOverDamage: between the runs somebody was at the drive.
func TestRun_resumesOverDamage(t *testing.T) {
	t.Parallel()
	g := interrupted(t, manySmall(3*settleEvery), nil)
	put := func(name, text string) {
		full := g.on(0, work(name))
		if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	flipped := append([]byte(nil), g.tree["DCIM/003.JPG"].data...)
	flip(flipped)
	put("DCIM/003.JPG", string(flipped)) // damaged
	put("DCIM/004.JPG", "short")
	put("stray.txt", "no file of the card")
	put("ascmhl/0001_half.mhl", "<half")
	put("strange/folder/x", "y")
	if err := os.Remove(g.on(0, work("DCIM/005.JPG"))); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(g.on(0, work("DCIM/006.JPG"))); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("../../../holiday/letter.txt", g.on(0, work("DCIM/006.JPG"))); err != nil {
		t.Fatal(err)
	}
	want := len(g.job.Plan.Files) - len(g.job.Drives[0].Held) + 4
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0, 1)
	for _, name := range []string{"DCIM/003.JPG", "DCIM/004.JPG", "DCIM/005.JPG", "DCIM/006.JPG"} {
		delete(g.job.Drives[0].Held, name)
	}
	g.audit(t, res)
	if n := len(g.drives[0].sinks); n != want {
		t.Errorf("%d files were written, want %d", n, want)
	}
}

// TestRun_resumesWithFolderAndFileSwapped: what was a folder is a file now, and
// a link that leads to somebody else's files stands where a folder belongs.
func TestRun_resumesWithFolderAndFileSwapped(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 1)
	unfinished := g.on(0, testFolder+UnfinishedSuffix)
	if err := os.MkdirAll(filepath.Join(unfinished, "EMPTY.TXT", "deep"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("../../holiday", filepath.Join(unfinished, "DCIM")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(unfinished, "MISC"), []byte("was a file"), 0o644); err != nil {
		t.Fatal(err)
	}
	g.job.Drives[0].Resume = true
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0)
	g.audit(t, res)
}

// TestRun_resumesOnAFullDrive: leftovers that were never proven count as free.
func TestRun_resumesOnAFullDrive(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 1)
	left := g.on(0, work("DCIM/100SKUAS"))
	if err := os.MkdirAll(left, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(left, "A.MOV"), noise(3, 8<<20), 0o644); err != nil {
		t.Fatal(err)
	}
	g.job.Drives[0].Resume, g.job.Drives[0].FreeBytes = true, 1<<20
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0)
	g.audit(t, res)
}
