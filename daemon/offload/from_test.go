package offload

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/checksum"
	"bothy/daemon/mhl"
	"bothy/daemon/state"
)

// newFrom makes a rig with a card that was copied to two drives and is away, and
// a third drive that was not there.
func newFrom(t *testing.T, base string, tr tree) *rig {
	t.Helper()
	g := newRig(t, base, tr, 3)
	third := g.job.Drives[2]
	g.job.Drives = g.job.Drives[:2]
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0, 1)
	for _, d := range g.job.Drives {
		d.Held = g.rec.sums
		g.job.From = append(g.job.From, d)
	}
	for i := range g.drives {
		*g.drives[i] = *newFaultFS(g.drives[i].FS)
	}
	*g.card = *newFaultFS(g.card.FS)
	g.job.Known, g.job.Drives, g.job.Card = g.rec.sums, []Drive{third}, Card{}
	g.rec.events = nil
	return g
}

// withHistory has the history of one source go along, as whoever makes such a
// job sees to it.
func (g *rig) withHistory(t *testing.T, from int) {
	t.Helper()
	plan := *g.job.Plan
	plan.Dirs = append(slices.Clone(plan.Dirs), Folder{Path: mhl.FolderName, ModTime: testTime})
	plan.Files = slices.Clone(plan.Files)
	known := map[string]Checksums{}
	for name, sums := range g.job.Known {
		known[name] = sums
	}
	dir := g.on(from, testFolder+"/"+mhl.FolderName)
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		data, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		sum := mustHash(checksum.XXH128)
		sum.Write(data)
		name := path.Join(mhl.FolderName, e.Name())
		known[name] = Checksums{Sum: sum.Sum()} // its sample is not known
		plan.Files = append(plan.Files, Entry{Path: name, SizeBytes: int64(len(data)), ModTime: testTime, InHistory: true})
	}
	g.job.Plan, g.job.Known = &plan, known
	g.job.From[from].Held = known
}

// thirdHolds holds the third drive's copy against the card, and its manifests
// against it.
func (g *rig) thirdHolds(t *testing.T, suffix string) {
	t.Helper()
	if err := g.onlyOurs(2, old()); err != nil {
		t.Error(err)
	}
	if err := g.tree.differs(g.on(2, testFolder+suffix)); err != nil {
		t.Error(err)
	}
	if err := verifyManifest(g.on(2, testFolder+suffix)); err != nil {
		t.Error(err)
	}
}

// untouched: what is read from is not written to.
func (g *rig) untouched(t *testing.T) {
	t.Helper()
	for i := range g.job.From {
		for _, kind := range []string{"create", "mkdir", "rename", "remove", "set time", "sync dir", "sync all"} {
			if n := g.drives[i].count(kind); n != 0 {
				t.Errorf("%d calls of %s on source %d", n, kind, i)
			}
		}
		if err := g.tree.differs(g.on(i, testFolder)); err != nil {
			t.Errorf("source %d: %v", i, err)
		}
	}
}

// TestRun_fromCopies: a drive that was away gets its copy without the card, with
// the history that the copy has, one generation longer.
func TestRun_fromCopies(t *testing.T) {
	t.Parallel()
	for _, history := range []bool{false, true} {
		t.Run(fmt.Sprintf("history %v", history), func(t *testing.T) {
			t.Parallel()
			g := newFrom(t, memoryDir(t), lateCard())
			if history {
				g.withHistory(t, 0)
			}
			files := len(g.job.Plan.Files)
			res := Run(context.Background(), g.job)
			mustProve(t, res, 0)
			g.thirdHolds(t, "")
			g.untouched(t)
			if c := res.Copies[0]; c.FilesProven != files || res.CardErr != nil || len(res.Damaged) != 0 || !slices.Equal(res.FromErrs, []error{nil, nil}) {
				t.Errorf("%d of %d files proven, %v, damaged %v, %v", c.FilesProven, files, res.CardErr, res.Damaged, res.FromErrs)
			}
			if a, b := g.drives[0].below("open medium"), g.drives[1].below("open medium"); a != files || b != 0 {
				t.Errorf("%d and %d files were read from the copies", a, b)
			}
			for _, e := range g.rec.events {
				if strings.HasPrefix(e, "read ") {
					t.Errorf("%s: nothing was read from the card", e)
				}
			}
			h := historyOf(t, g.on(2, testFolder))
			generations := map[bool]int{false: 1, true: 2}[history]
			newest := h.Generations[len(h.Generations)-1]
			if len(h.Generations) != generations || newest.Process != mhl.Transfer || newest.Files[0].Action != mhl.Verified {
				t.Errorf("%d generations, the newest by %s with %s", len(h.Generations), newest.Process, newest.Files[0].Action)
			}
		})
	}
}

// TestRun_fromDamagedCopy: what a copy gives wrongly is named, had from the next
// copy, and passed on by nobody.
func TestRun_fromDamagedCopy(t *testing.T) {
	t.Parallel()
	for _, tc := range damages {
		for _, bad := range []string{"B.MOV", "DCIM/009.JPG"} {
			t.Run(tc.name+"/"+bad, func(t *testing.T) {
				t.Parallel()
				g := newFrom(t, memoryDir(t), lateCard())
				tc.do(g.drives[0], final(bad))
				res := Run(context.Background(), g.job)
				mustProve(t, res, 0)
				g.thirdHolds(t, "")
				if list := res.Damaged["id-0"]; !slices.Equal(list, []string{bad}) || len(res.Damaged) != 1 || res.Mismatches != 0 {
					t.Errorf("damaged %v, %d mismatches put down to a drive", res.Damaged, res.Mismatches)
				}
				if n := g.drives[1].below("open medium"); n != 1 {
					t.Errorf("%d files were read from the other copy", n)
				}
			})
		}
	}
}

// TestRun_fromNoSoundCopy: a file that no copy gives keeps the new one
// unfinished; when a sound copy is there again it is gone on with.
func TestRun_fromNoSoundCopy(t *testing.T) {
	t.Parallel()
	g := newFrom(t, memoryDir(t), lateCard())
	for i := range 2 {
		damage("read medium", fault{change: flip})(g.drives[i], final("B.MOV"))
	}
	res := Run(context.Background(), g.job)
	c := res.Copies[0]
	if c.Phase != state.CopyUnfinished || !errors.Is(c.Err, errNotAll) || c.FilesProven != len(g.job.Plan.Files)-1 || len(res.Damaged) != 2 {
		t.Fatalf("%s: %v, %d files, damaged %v", c.Phase, c.Err, c.FilesProven, res.Damaged)
	}
	if _, err := os.Lstat(g.on(2, testFolder)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the copy has its name: %v", err)
	}
	for i := range g.drives {
		*g.drives[i] = *newFaultFS(g.drives[i].FS)
	}
	g.job.Drives[0].Resume, g.job.Drives[0].Held = true, g.rec.held("id-2")
	res = Run(context.Background(), g.job)
	mustProve(t, res, 0)
	g.thirdHolds(t, "")
	if n := g.drives[2].count("create"); n != 1 {
		t.Errorf("%d files were written to go on", n)
	}
}

// TestRun_fromPulled: a drive that is read from is pulled; the other copy serves,
// and where there is none, the new one stays unfinished.
func TestRun_fromPulled(t *testing.T) {
	t.Parallel()
	for _, sources := range []int{1, 2} {
		t.Run(fmt.Sprint(sources), func(t *testing.T) {
			t.Parallel()
			g := newFrom(t, memoryDir(t), lateCard())
			g.job.From = g.job.From[:sources]
			s := &slot{}
			g.job.From[0].Medium = s
			g.drives[0].hook = func(c call) *fault {
				if c.kind == "read medium" && c.ofKind >= 5 {
					s.set(ErrCardGone, ErrCardGone)
					return &fault{err: syscall.EIO}
				}
				return nil
			}
			res := Run(context.Background(), g.job)
			if !errors.Is(res.FromErrs[0], ErrDriveGone) || len(res.Damaged) != 0 || res.CardErr != nil {
				t.Errorf("%v, damaged %v, card error %v", res.FromErrs, res.Damaged, res.CardErr)
			}
			if sources == 2 {
				mustProve(t, res, 0)
				g.thirdHolds(t, "")
			} else if c := res.Copies[0]; c.Phase != state.CopyUnfinished || c.FilesProven == 0 {
				t.Errorf("%s: %v, %d files", c.Phase, c.Err, c.FilesProven)
			}
		})
	}
}

// TestRun_fromHangs: so does one that does not answer any more.
func TestRun_fromHangs(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newFrom(t, base, lateCard())
		g.drives[0].takes(func(c call) time.Duration {
			if c.kind == "read medium" && c.ofKind == 4 {
				return time.Hour
			}
			return 0
		})
		res := Run(t.Context(), g.job)
		mustProve(t, res, 0)
		if !errors.Is(res.FromErrs[0], ErrDriveHung) {
			t.Errorf("%v", res.FromErrs)
		}
		g.thirdHolds(t, "")
		time.Sleep(2 * time.Hour) // the call comes back
		synctest.Wait()
	})
}

// TestRun_fromIncomplete: what was saved of a damaged card stays called so.
func TestRun_fromIncomplete(t *testing.T) {
	t.Parallel()
	g := newFrom(t, memoryDir(t), lateCard())
	g.job.Incomplete = true
	res := Run(context.Background(), g.job)
	if c := res.Copies[0]; c.Phase != state.CopyIncomplete || c.Folder != testFolder+IncompleteSuffix || !errors.Is(c.Err, errSaved) {
		t.Errorf("%s in %q: %v", c.Phase, c.Folder, c.Err)
	}
	g.thirdHolds(t, IncompleteSuffix)
	if !slices.Contains(g.rec.events, "finished id-2 "+testFolder+IncompleteSuffix) {
		t.Error("it was not noted so")
	}
}

// TestRun_fromGivesWay: from any asking on, a job that only reads copies stands
// still while other work goes first, reading back too, and then goes on.
func TestRun_fromGivesWay(t *testing.T) {
	t.Parallel()
	for _, after := range []bool{false, true} {
		var asked atomic.Int32
		for from := 1; from == 1 || int(asked.Load()) >= from; from += 9 {
			inBubble(t, func(t *testing.T, base string) {
				g := newFrom(t, base, lateCard())
				g.job.Drives[0].ReadBackAfter = after
				y := &yielder{from: from, entered: make(chan struct{}), leave: make(chan error)}
				g.job.Yield = func(ctx context.Context) error {
					defer func() { asked.Store(y.asked.Load()) }()
					return y.wait(ctx)
				}
				ended := make(chan Result, 1)
				go func() { ended <- Run(t.Context(), g.job) }()
				var res Result
				select {
				case <-y.entered:
					synctest.Wait()
					before := g.calls()
					time.Sleep(time.Hour)
					synctest.Wait()
					if n := g.calls() - before; n != 0 {
						t.Errorf("%d calls while other work went first", n)
					}
					close(y.leave)
					res = <-ended
				case res = <-ended:
				}
				mustProve(t, res, 0)
				g.thirdHolds(t, "")
			})
		}
		if n := int(asked.Load()); n < 2*len(lateCard()) {
			t.Errorf("asked %d times for %d files", n, len(lateCard()))
		}
	}
}

// TestRun_fromGivesWayWhileProving: nor does reading back go on, nor the second
// look, when the other work comes while they are under way.
func TestRun_fromGivesWayWhileProving(t *testing.T) {
	t.Parallel()
	files := len(lateCard()) - 1 // one is a folder
	for name, begun := range map[string]func(third *faultFS) bool{
		"reading back": func(third *faultFS) bool { return third.count("read medium") >= 3 },
		"second look":  func(third *faultFS) bool { return third.count("open medium") > files },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T, base string) {
				g := newFrom(t, base, lateCard())
				g.job.Drives[0].ReadBackAfter = true
				entered, leave := make(chan struct{}), make(chan struct{})
				var first sync.Once
				g.job.Yield = func(context.Context) error {
					if begun(g.drives[2]) {
						first.Do(func() { close(entered) })
						<-leave
					}
					return nil
				}
				ended := make(chan Result, 1)
				go func() { ended <- Run(t.Context(), g.job) }()
				<-entered
				synctest.Wait()
				opened := map[string]int{"reading back": files, "second look": 2 * files}[name]
				if n := g.drives[2].count("open medium"); n >= opened {
					t.Errorf("%d files were opened while other work went first", n)
				}
				close(leave)
				mustProve(t, <-ended, 0)
				g.thirdHolds(t, "")
			})
		})
	}
}

// TestRun_fromPartOfACopy: a copy is not asked for what it is not said to hold.
func TestRun_fromPartOfACopy(t *testing.T) {
	t.Parallel()
	g := newFrom(t, memoryDir(t), lateCard())
	g.job.From[0].Held = maps.Clone(g.job.Known)
	delete(g.job.From[0].Held, "A.MOV")
	g.job.From[0].Held["B.MOV"] = Checksums{Sum: "of an older state"}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0)
	g.thirdHolds(t, "")
	if n := g.drives[1].below("open medium"); n != 2 || len(res.Damaged) != 0 || g.drives[0].named["open medium "+final("A.MOV")] != 0 {
		t.Errorf("%d files were read from the other copy, damaged %v", n, res.Damaged)
	}
}

// TestRun_fromRefuses: without a checksum there is nothing to hold a copy
// against, and without reading back nothing is proven.
func TestRun_fromRefuses(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*rig){
		"a file without a checksum": func(g *rig) { delete(g.job.Known, "A.MOV") },
		"not read back":             func(g *rig) { g.job.Verify = VerifySize },
	} {
		g := newFrom(t, memoryDir(t), lateCard())
		change(g)
		res := Run(context.Background(), g.job)
		if c := res.Copies[0]; c.Phase != state.CopyRefused || !errors.Is(c.Err, ErrRefused) || g.drives[2].count("create") != 0 {
			t.Errorf("%s: %s: %v", name, c.Phase, c.Err)
		}
	}
}
