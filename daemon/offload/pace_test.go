package offload

import (
	"context"
	"fmt"
	"testing"
	"time"

	"bothy/daemon/state"
)

// What one write call takes, in the bubble's time.
const (
	brisk = 200 * time.Millisecond
	slow  = 100 * brisk
)

// loads are cards of some hundred portions each.
var loads = []struct {
	name, kind string // kind of call that a drive's speed is shown in
	tree       func() tree
}{
	{"one large file", "write", func() tree { return tree{"Z.MOV": file1(noise(1, 60*testChunk+77))} }},
	{"files of some portions", "write", func() tree {
		tr := tree{}
		for i := range 24 {
			tr[fmt.Sprintf("DCIM/%03d.MOV", i)] = file1(noise(i, 3*testChunk+i))
		}
		return tr
	}},
	{"small files", "write", func() tree { return manySmall(160) }},
	{"empty files", "create", func() tree {
		tr := tree{}
		for i := range 3 * queueLength {
			tr[fmt.Sprintf("DCIM/%04d.TXT", i)] = file1(nil)
		}
		return tr
	}},
}

// TestRun_slowThird: a drive that nobody needs costs the others next to no
// time, is caught up from one of them, and is proven as they are.
func TestRun_slowThird(t *testing.T) {
	t.Parallel()
	for _, load := range loads {
		t.Run(load.name, func(t *testing.T) {
			t.Parallel()
			alone := inTime(t, load.kind, load.tree(), 2, func(g *rig) { g.awaited(2) }, brisk, brisk)
			inBubble(t, func(t *testing.T, base string) {
				g := newRig(t, base, load.tree(), 3).awaited(2)
				g.speeds(load.kind, brisk, brisk, slow)
				res, c := g.follow(t.Context(), t)
				mustProve(t, res, 0, 1, 2)
				if both := c.last(t, 0, 1); both > alone+alone*3/100 {
					t.Errorf("two drives took %v with a third one and %v without it", both, alone)
				}
				if len(c.done) != 1 || c.done[0].after >= c.last(t, 2) {
					t.Errorf("the card was done %+v, the last copy finished after %v", c.done, c.last(t, 2))
				}
				if g.drives[0].below("open medium")+g.drives[1].below("open medium") == 0 {
					t.Error("the third drive did not get it from a copy")
				}
				if res.BytesRead != g.job.Plan.Bytes || res.CardErr != nil || len(res.Damaged) != 0 {
					t.Errorf("%d bytes read of %d, %v, damaged %v", res.BytesRead, g.job.Plan.Bytes, res.CardErr, res.Damaged)
				}
			})
		})
	}
}

// speeds says what a call of one kind takes on each drive.
func (g *rig) speeds(kind string, speeds ...time.Duration) {
	for i, d := range speeds {
		g.drives[i].takes(each(kind, d))
	}
}

// inTime gives what it takes until all drives are finished.
func inTime(t *testing.T, kind string, tr tree, drives int, prepare func(*rig), speeds ...time.Duration) (took time.Duration) {
	t.Helper()
	inBubble(t, func(t *testing.T, base string) {
		g := newRig(t, base, tr, drives)
		prepare(g)
		g.speeds(kind, speeds...)
		_, c := g.follow(t.Context(), t)
		for _, at := range c.finished {
			took = max(took, at)
		}
	})
	return took
}

// TestRun_slowToBegin: a drive that is long in making its folders, since it is
// still busy with an earlier card, is not waited for if it can be done without.
func TestRun_slowToBegin(t *testing.T) {
	t.Parallel()
	alone := inTime(t, "write", manySmall(40), 2, func(g *rig) { g.awaited(2) }, brisk, brisk)
	for _, copies := range []int{2, 3} {
		inBubble(t, func(t *testing.T, base string) {
			g := newRig(t, base, manySmall(40), 3).awaited(copies)
			g.speeds("write", brisk, brisk)
			g.drives[2].takes(each("mkdir", 40*time.Second))
			res, c := g.follow(t.Context(), t)
			mustProve(t, res, 0, 1, 2)
			if waited := c.last(t, 0, 1) > alone+2*graceAtStart; waited != (copies == 3) {
				t.Errorf("of %d copies: two drives took %v, and %v without a third", copies, c.last(t, 0, 1), alone)
			}
		})
	}
}

// TestRun_twoSlowOfFour: both are let go, and both catch up.
func TestRun_twoSlowOfFour(t *testing.T) {
	t.Parallel()
	alone := inTime(t, "write", manyWhole(80), 2, func(g *rig) { g.awaited(2) }, brisk, brisk)
	inBubble(t, func(t *testing.T, base string) {
		g := newRig(t, base, manyWhole(80), 4).awaited(2)
		g.speeds("write", brisk, slow, brisk, slow/2)
		res, c := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2, 3)
		if both := c.last(t, 0, 2); both > alone+alone*3/100 {
			t.Errorf("two drives took %v with two slow ones and %v without them", both, alone)
		}
		if res.BytesRead != g.job.Plan.Bytes {
			t.Errorf("%d bytes read of %d", res.BytesRead, g.job.Plan.Bytes)
		}
	})
}

// manyWhole makes a card of files that take a buffer each.
func manyWhole(n int) tree {
	tr := tree{}
	for i := range n {
		tr[fmt.Sprintf("DCIM/%03d.JPG", i)] = file1(noise(i, testChunk/2+1+i))
	}
	return tr
}

// TestRun_slowNowAndThen: a drive with short fits of slowness rejoins, and gets
// most files from the card.
func TestRun_slowNowAndThen(t *testing.T) {
	t.Parallel()
	alone := inTime(t, "write", manyWhole(80), 2, func(g *rig) { g.awaited(2) }, brisk, brisk)
	inBubble(t, func(t *testing.T, base string) {
		g := newRig(t, base, manyWhole(80), 3).awaited(2)
		g.speeds("write", brisk, brisk)
		g.drives[2].takes(func(c call) time.Duration {
			if c.kind == "write" && c.ofKind%40 == 20 {
				return 20 * brisk
			}
			return each("write", brisk/2)(c)
		})
		res, c := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
		if both := c.last(t, 0, 1); both > alone+alone*3/100 {
			t.Errorf("two drives took %v with a third one and %v without it", both, alone)
		}
		late := g.drives[0].below("open medium") + g.drives[1].below("open medium")
		if late == 0 || late > len(g.job.Plan.Files)*6/10 {
			t.Errorf("%d files of %d were caught up", late, len(g.job.Plan.Files))
		}
	})
}

// TestRun_nobodyToSpare: a slow drive that is needed is waited for, and the
// card is read for it.
func TestRun_nobodyToSpare(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name    string
		done    bool
		prepare func(*rig)
	}{
		{"every drive is waited for", false, func(g *rig) { g.job.Copies = 0 }},
		{"three copies of three drives", true, func(g *rig) { g.job.Copies = 3 }},
		{"the other two are partitions of one disk", true, func(g *rig) {
			g.job.Drives[1].Place.Disks = g.job.Drives[0].Place.Disks
		}},
		{"the other two cannot be told apart", true, func(g *rig) {
			for i := range 2 {
				g.job.Drives[i].Place.Disks, g.job.Drives[i].Place.DiskKey = nil, "a cloned serial number"
			}
		}},
		{"more copies than drives", false, func(g *rig) { g.job.Copies = 5 }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T, base string) {
				g := newRig(t, base, manySmall(60), 3).awaited(2)
				tc.prepare(g)
				g.speeds("write", brisk, brisk, slow)
				g.job.Progress = func(p Progress) {
					for _, c := range p.Copies {
						if c.Phase == state.CopyBehind {
							t.Errorf("%s was let go", c.DriveID)
						}
					}
				}
				res, c := g.follow(t.Context(), t)
				mustProve(t, res, 0, 1, 2)
				if n := g.drives[0].below("open medium") + g.drives[1].below("open medium"); n != 0 {
					t.Errorf("%d files were read from finished copies", n)
				}
				if got := len(c.done) == 1; got != tc.done || got && c.done[0].finished != 3 {
					t.Errorf("the card was done: %+v", c.done)
				}
				if n := g.drives[2].count("create"); n != len(g.job.Plan.Files) {
					t.Errorf("%d files were made of %d", n, len(g.job.Plan.Files))
				}
			})
		})
	}
}

// TestRun_writesFirst: a drive that is busy writing is not read back from, since
// it might not manage both at the card's speed.
func TestRun_writesFirst(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		const files = 60
		g := newRig(t, base, manyWhole(files), 2).awaited(2)
		g.job.Portions.AloneBytes = 1
		first := 0
		for i, d := range g.drives {
			d.takes(func(c call) time.Duration {
				if i == 0 && c.kind == "read medium" && first == 0 {
					first = d.count("write")
				}
				return each("write", brisk)(c)
			})
		}
		res, _ := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1)
		if first < files-g.job.Portions.Buffers {
			t.Errorf("it was read back from after %d of %d files", first, files)
		}
	})
}

// TestRun_oneBuffer: files that share a buffer never keep it from those that
// need one of their own.
func TestRun_oneBuffer(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		tr := manySmall(4)
		tr["DCIM/001.MOV"], tr["DCIM/002.MOV"] = file1(noise(8, testChunk+100)), file1(noise(9, 2*testChunk))
		g := newRig(t, base, tr, 2).awaited(2)
		g.job.Portions.Buffers = 1
		ctx, stop := context.WithTimeout(t.Context(), time.Hour)
		defer stop()
		res, _ := g.follow(ctx, t)
		mustProve(t, res, 0, 1)
	})
}
