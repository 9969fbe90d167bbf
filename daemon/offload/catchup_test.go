package offload

import (
	"errors"
	"io"
	"io/fs"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/state"
)

// lateCard has more portions than a ring has buffers, and one of everything
// that takes a way of its own.
func lateCard() tree {
	tr := manySmall(12)
	tr["A.MOV"] = file1(noise(50, 3*testChunk+5000))
	tr["B.MOV"] = file1(noise(51, 2*testChunk))
	tr["DCIM/EMPTY.TXT"], tr["MISC"] = file1(nil), node{dir: true, at: testTime}
	return tr
}

// newLate makes a rig whose third drive is stuck with its second portion until
// the card is done.
func newLate(t tester, base string, tr tree) *rig {
	g := newRig(t, base, tr, 3).awaited(2)
	g.job.Portions.Buffers = 3
	g.drives[2].takes(func(c call) time.Duration {
		if c.kind == "write" && c.ofKind == 2 {
			return time.Minute
		}
		return 0
	})
	return g
}

// finished is a file of the finished copy.
func final(name string) string { return testFolder + "/" + name }

// fromCopies counts the files that were read from finished copies.
func (g *rig) fromCopies() (n int) {
	for _, d := range g.drives {
		n += d.below("open medium")
	}
	return n
}

// damages are what can become of a file of a finished copy. Hidden ones are
// seen by the checksum only.
var damages = []struct {
	name string
	do   func(d *faultFS, name string)
}{
	{"a flipped bit", damage("read medium", fault{change: flip})},
	{"zeros", damage("read medium", fault{change: func(b []byte) { clear(b) }})},
	{"it ends early", damage("read medium", fault{err: io.EOF, after: true})},
	{"it cannot be read", damage("read medium", fault{err: syscall.EIO})},
	{"it cannot be opened", damage("open medium", fault{err: syscall.EIO})},
	{"it is missing", damage("open medium", fault{err: fs.ErrNotExist})},
	{"it is shorter", func(d *faultFS, name string) { d.FS = otherFS{d.FS, name, sized(-1)} }},
	{"it is longer", func(d *faultFS, name string) { d.FS = otherFS{d.FS, name, sized(4096)} }},
}

func damage(kind string, f fault) func(*faultFS, string) {
	return func(d *faultFS, name string) {
		then := d.hook
		d.hook = func(c call) *fault {
			if c.kind == kind && c.name == name {
				return &f
			}
			if then != nil {
				return then(c)
			}
			return nil
		}
	}
}

// TestRun_damagedSource: what a finished copy gives wrongly is never passed on.
func TestRun_damagedSource(t *testing.T) {
	t.Parallel()
	for _, tc := range damages {
		for _, bad := range []string{"B.MOV", "DCIM/009.JPG"} {
			t.Run(tc.name+"/"+bad, func(t *testing.T) {
				t.Parallel()
				inBubble(t, func(t *testing.T, base string) {
					g := newLate(t, base, lateCard())
					tc.do(g.drives[0], final(bad))
					res, _ := g.follow(t.Context(), t)
					mustProve(t, res, 0, 1, 2)
					if list := res.Damaged["id-0"]; len(list) != 1 || list[0] != bad || len(res.Damaged) != 1 || res.CardErr != nil || res.Mismatches != 0 {
						t.Errorf("damaged %v, card error %v, %d mismatches put down to a drive", res.Damaged, res.CardErr, res.Mismatches)
					}
					if n := g.drives[1].below("open medium"); n != 1 {
						t.Errorf("%d files were taken from the other copy", n)
					}
				})
			})
		}
	}
}

// TestRun_damagedOnBothSources: the copy that lacks a file which no copy gives
// stays unfinished; the two stay proven.
func TestRun_damagedOnBothSources(t *testing.T) {
	t.Parallel()
	for _, tc := range damages {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T, base string) {
				g := newLate(t, base, lateCard())
				tc.do(g.drives[0], final("B.MOV"))
				tc.do(g.drives[1], final("B.MOV"))
				res, c := g.follow(t.Context(), t)
				mustProve(t, res, 0, 1)
				third := res.Copies[2]
				if third.Phase == state.CopyProven || third.Err == nil || third.FilesProven != len(g.job.Plan.Files)-1 || third.Folder != testFolder+UnfinishedSuffix {
					t.Errorf("%s in %q with %d files: %v", third.Phase, third.Folder, third.FilesProven, third.Err)
				}
				if len(res.Damaged["id-0"]) != 1 || len(res.Damaged["id-1"]) != 1 || res.CardErr != nil || !c.isDone() {
					t.Errorf("damaged %v, card error %v, done %v", res.Damaged, res.CardErr, c.isDone())
				}
			})
		})
	}
}

// TestRun_damagedAndCardThere: the card does not give all, so it is not done,
// and can be asked for what no copy gives.
func TestRun_damagedAndCardThere(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		damage("read", fault{err: syscall.EIO})(g.card, "DCIM/011.JPG")
		for i := range 2 {
			damage("read medium", fault{change: flip})(g.drives[i], testFolder+IncompleteSuffix+"/B.MOV")
		}
		res, c := g.follow(t.Context(), t)
		if phases(res) != "incomplete incomplete incomplete" || c.isDone() || len(res.Unreadable) != 1 {
			t.Fatalf("%s, done %v, unreadable %v: %v", phases(res), c.isDone(), res.Unreadable, res.Copies[2].Err)
		}
		rest := tree{}
		for name, n := range g.tree {
			if name != "DCIM/011.JPG" {
				rest[name] = n
			}
		}
		if err := rest.differs(g.on(2, testFolder+IncompleteSuffix)); err != nil {
			t.Error(err)
		}
		if len(res.Damaged["id-0"]) != 1 || len(res.Damaged["id-1"]) != 1 {
			t.Errorf("damaged %v", res.Damaged)
		}
	})
}

// TestRun_sourceHangs: a finished copy that does not answer is left for the
// other one, and nothing of it stays open when it wakes up.
func TestRun_sourceHangs(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"open medium", "read medium"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T, base string) {
				g := newLate(t, base, lateCard())
				g.job.Patience = 2 * time.Minute
				wake := make(chan struct{})
				var once atomic.Bool
				g.drives[0].hook = func(c call) *fault {
					if c.kind == kind && strings.HasPrefix(c.name, testFolder+"/") && once.CompareAndSwap(false, true) {
						<-wake
					}
					return nil
				}
				c := g.watched()
				res := c.run.carryOut(t.Context())
				close(wake)
				synctest.Wait()
				c.judge(t, res)
				mustProve(t, res, 0, 1, 2)
				if len(res.Damaged) != 0 || !once.Load() || g.drives[1].below("open medium") == 0 {
					t.Errorf("damaged %v; %d files from the other copy", res.Damaged, g.drives[1].below("open medium"))
				}
			})
		})
	}
}

// TestRun_sourceUnplugged: the drive that is read from goes in the middle.
func TestRun_sourceUnplugged(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g, s := newLate(t, base, lateCard()), &slot{}
		g.job.Drives[0].Medium = s
		var out atomic.Bool
		g.drives[0].hook = func(c call) *fault {
			if c.kind == "read medium" && c.name == final("B.MOV") && c.ofName == 2 {
				s.set(errors.New("device id is another"), nil)
				out.Store(true)
			}
			if out.Load() {
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		res, _ := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
		if len(res.Damaged) != 0 || !out.Load() || g.drives[1].below("open medium") == 0 {
			t.Errorf("damaged %v; %d files from the other copy", res.Damaged, g.drives[1].below("open medium"))
		}
	})
}

// TestRun_takerFails: what becomes of the drive that catches up is its own
// matter.
func TestRun_takerFails(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name string
		f    fault
		want error
	}{
		{"full", fault{err: syscall.ENOSPC}, ErrDriveFull},
		{"keeps failing", fault{err: syscall.EIO}, syscall.EIO},
		{"keeps other bytes", fault{change: flip}, ErrMismatch},
		{"is gone", fault{err: syscall.ENODEV}, ErrDriveGone},
		{"hangs", fault{}, ErrDriveHung},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T, base string) {
				g := newLate(t, base, lateCard())
				g.job.Patience = 2 * time.Minute
				wake := make(chan struct{})
				c := g.watched()
				slowly := g.drives[2].hook
				g.drives[2].hook = func(k call) *fault {
					slowly(k)
					if !c.isDone() || k.kind != "write" {
						return nil
					}
					if tc.f.err == nil && tc.f.change == nil {
						<-wake
					}
					return &tc.f
				}
				res := c.run.carryOut(t.Context())
				close(wake)
				synctest.Wait()
				c.judge(t, res)
				mustProve(t, res, 0, 1)
				if third := res.Copies[2]; third.Phase != state.CopyFailed || !errors.Is(third.Err, tc.want) {
					t.Errorf("%s: %v", third.Phase, third.Err)
				}
				if len(res.Damaged) != 0 || res.CardErr != nil {
					t.Errorf("damaged %v, card error %v", res.Damaged, res.CardErr)
				}
			})
		})
	}
}
