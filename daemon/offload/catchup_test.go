package offload

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
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
	tr["A.MOV"] = file1(noise(50, 3*chunkBytes+5000))
	tr["B.MOV"] = file1(noise(51, 2*chunkBytes))
	tr["DCIM/EMPTY.TXT"], tr["MISC"] = file1(nil), node{dir: true, at: testTime}
	return tr
}

// newLate makes a rig whose third drive is stuck with its second portion until
// the card is done.
func newLate(t tester, base string, tr tree) *rig {
	g := newRig(t, base, tr, 3).awaited(2)
	g.job.buffers = 3
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

// TestRun_cardPulledWhenDone: from the word that the card is done on, it may go.
func TestRun_cardPulledWhenDone(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g, s := newLate(t, base, lateCard()), &slot{}
		g.job.Card.Medium = s
		var pulled atomic.Bool
		g.job.CardDone = func() { s.set(ErrCardGone, ErrCardGone); pulled.Store(true) }
		g.card.hook = func(call) *fault {
			if pulled.Load() {
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		res, _ := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
		if res.CardErr != nil || len(res.Unreadable) != 0 || g.fromCopies() == 0 || !pulled.Load() {
			t.Errorf("card error %v, unreadable %v, %d files from copies", res.CardErr, res.Unreadable, g.fromCopies())
		}
	})
}

// TestRun_cardPulledTooEarly: the third drive has been let go, and the others
// are not through.
func TestRun_cardPulledTooEarly(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g, s := newLate(t, base, lateCard()), &slot{}
		g.job.Card.Medium = s
		g.card.hook = func(c call) *fault {
			if c.kind == "open" && c.ofKind == 9 {
				s.set(ErrCardGone, ErrCardGone)
			}
			return nil
		}
		res, c := g.follow(t.Context(), t)
		if !errors.Is(res.CardErr, ErrCardGone) || phases(res) != "unfinished unfinished unfinished" || c.isDone() {
			t.Errorf("card error %v, %s, done %v", res.CardErr, phases(res), c.isDone())
		}
		g.goOn()
		g.job.CardDone = nil
		res, _ = g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
	})
}

// TestRun_cardPulledBeforeRetry: one copy is finished, the other one lacks a
// file that its drive burned, and the card goes before it is read again. What
// the first copy holds is as good.
func TestRun_cardPulledBeforeRetry(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g, s := newLate(t, base, lateCard()), &slot{}
		g.job.Card.Medium = s
		g.drives[1].hook = func(c call) *fault {
			if c.kind == "sync" && c.name == work("A.MOV") && c.ofName == 1 {
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		g.rec.hear(func(e string) {
			if strings.HasPrefix(e, "finished id-0") {
				s.set(ErrCardGone, ErrCardGone)
			}
		})
		res, c := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
		if !errors.Is(res.CardErr, ErrCardGone) || g.drives[0].below("open medium") == 0 || c.isDone() {
			t.Errorf("card error %v, %d files from the copy, done %v", res.CardErr, g.drives[0].below("open medium"), c.isDone())
		}
	})
}

// TestRun_retryDoesNotWait: a fast drive that burned a file gets it again while
// the slow one is still stuck, and the card is done then.
func TestRun_retryDoesNotWait(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		g.drives[1].hook = func(c call) *fault {
			if c.kind == "sync" && c.name == work("A.MOV") && c.ofName == 1 {
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		res, c := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
		if both := c.last(t, 0, 1); both >= time.Minute || res.FlushFailures != 1 || g.card.count("open") != len(g.job.Plan.Files)+1 {
			t.Errorf("the two took %v; %d failed flushes; %d files of the card were read", both, res.FlushFailures, g.card.count("open"))
		}
	})
}

// TestRun_letGoAndNeeded: a drive that was let go is needed when another one
// fails, and gets the rest from the card.
func TestRun_letGoAndNeeded(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		g.drives[1].hook = func(c call) *fault {
			if c.kind == "rename" {
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		res, c := g.follow(t.Context(), t)
		mustProve(t, res, 0, 2)
		if res.Copies[1].Phase != state.CopyFailed || g.fromCopies() != 0 || !c.isDone() || res.BytesRead <= g.job.Plan.Bytes {
			t.Errorf("%s; %d files from copies; done %v; %d bytes read", phases(res), g.fromCopies(), c.isDone(), res.BytesRead)
		}
	})
}

// sizedFS lies about the length of one file.
type sizedFS struct {
	FS
	name string
	by   int64
}

func (x sizedFS) OpenMedium(name string) (Source, error) {
	src, err := x.FS.OpenMedium(name)
	if err == nil && name == x.name {
		src = sizedSource{src, x.by}
	}
	return src, err
}

type sizedSource struct {
	Source
	by int64
}

func (s sizedSource) Size() int64 { return s.Source.Size() + s.by }

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
	{"it is shorter", func(d *faultFS, name string) { d.FS = sizedFS{d.FS, name, -1} }},
	{"it is longer", func(d *faultFS, name string) { d.FS = sizedFS{d.FS, name, 4096} }},
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
					if list := res.Damaged["id-0"]; len(list) != 1 || list[0] != bad || len(res.Damaged) != 1 || res.CardErr != nil {
						t.Errorf("damaged %v, card error %v", res.Damaged, res.CardErr)
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
		g.card.hook = func(c call) *fault {
			if c.kind == "read" && strings.HasSuffix(c.name, "011.JPG") {
				return &fault{err: syscall.EIO}
			}
			return nil
		}
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

// TestRun_unsureWhenLate: the card did not give a file a second time, which
// makes each copy incomplete, and no less that of a drive that had the file
// before it was let go.
func TestRun_unsureWhenLate(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newRig(t, base, lateCard(), 3).awaited(2)
		g.job.buffers = 3
		g.drives[2].takes(func(c call) time.Duration {
			if c.kind == "write" && c.ofKind == 8 {
				return time.Minute
			}
			return 0
		})
		g.job.Verify = VerifyReadBackTwice
		g.card.hook = func(c call) *fault {
			if c.kind == "read" && strings.HasSuffix(c.name, "B.MOV") && c.ofName > 2 {
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		res, _ := g.follow(t.Context(), t)
		if phases(res) != "incomplete incomplete incomplete" || g.fromCopies() == 0 {
			t.Errorf("%s; %d files from copies", phases(res), g.fromCopies())
		}
		for _, c := range res.Copies {
			if c.Folder != testFolder+IncompleteSuffix {
				t.Errorf("%s in %q", c.DriveID, c.Folder)
			}
		}
	})
}

// TestRun_twiceWhenLate: with the card read twice a late drive takes the same way.
func TestRun_twiceWhenLate(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		g.job.Verify = VerifyReadBackTwice
		res, c := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
		if res.BytesRead != 2*g.job.Plan.Bytes || g.fromCopies() == 0 || !c.isDone() {
			t.Errorf("%d bytes read of %d; %d files from copies; done %v", res.BytesRead, g.job.Plan.Bytes, g.fromCopies(), c.isDone())
		}
	})
}

// TestRun_letGoInTheSecondReading: all was handed out, and the slow drive holds
// every buffer that a second reading needs.
func TestRun_letGoInTheSecondReading(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newRig(t, base, tree{"A.MOV": file1(noise(70, 3*chunkBytes))}, 3).awaited(2)
		g.job.Verify, g.job.buffers = VerifyReadBackTwice, 3
		g.drives[2].takes(each("write", time.Minute))
		res, c := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
		if both := c.last(t, 0, 1); both >= time.Minute || res.BytesRead != 2*g.job.Plan.Bytes || g.fromCopies() != 1 {
			t.Errorf("the two took %v; %d bytes read of %d; %d files from copies", both, res.BytesRead, g.job.Plan.Bytes, g.fromCopies())
		}
	})
}

// TestRun_sizeOnlyWhenLate: nothing is proven at this level, so nothing can be
// passed on, and the card is not done before it has served all.
func TestRun_sizeOnlyWhenLate(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		g.job.Verify = VerifySize
		res, c := g.follow(t.Context(), t)
		if phases(res) != "unproven unproven unproven" || c.isDone() || g.fromCopies() != 0 {
			t.Errorf("%s, done %v, %d files from copies: %v", phases(res), c.isDone(), g.fromCopies(), res.Copies[2].Err)
		}
	})
}

// yielder is other work that goes first from some asking on.
type yielder struct {
	from    int
	asked   atomic.Int32
	entered chan struct{} // closed at that asking
	leave   chan error    // what it says in the end
}

func (y *yielder) wait(ctx context.Context) error {
	switch n := int(y.asked.Add(1)); {
	case n < y.from:
		return nil
	case n == y.from:
		close(y.entered)
	}
	select {
	case err := <-y.leave:
		return err
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

func (g *rig) calls() (n int) {
	for _, d := range g.drives {
		n += d.calls()
	}
	return n
}

// TestRun_yields: while other work goes first, catching up stands still on every
// drive; then it goes on.
func TestRun_yields(t *testing.T) {
	t.Parallel()
	empty := tree{}
	for i := range 3 * queueLength {
		empty[fmt.Sprintf("DCIM/%04d.TXT", i)] = file1(nil)
	}
	for name, tr := range map[string]tree{"all sorts of files": lateCard(), "empty files": empty} {
		for _, from := range []int{1, 4} {
			t.Run(fmt.Sprintf("%s, from %d", name, from), func(t *testing.T) {
				t.Parallel()
				inBubble(t, func(t *testing.T, base string) {
					g := newLate(t, base, tr)
					g.drives[2].takes(func(c call) time.Duration {
						if c.kind == "create" && c.ofKind == 2 && name == "empty files" {
							return time.Minute
						}
						return 0
					})
					y := &yielder{from: from, entered: make(chan struct{}), leave: make(chan error)}
					g.job.Yield = y.wait
					c := g.watched()
					ended := make(chan Result, 1)
					go func() { ended <- c.run.carryOut(t.Context()) }()
					<-y.entered
					synctest.Wait()
					before, proven := g.calls(), g.drives[2].count("create")
					time.Sleep(time.Hour)
					synctest.Wait()
					if n := g.calls() - before; n != 0 || proven == len(g.tree) {
						t.Errorf("%d calls while other work went first", n)
					}
					if g.drives[0].below("open medium") > from {
						t.Errorf("%d files were opened for %d askings", g.drives[0].below("open medium"), from)
					}
					close(y.leave)
					res := <-ended
					synctest.Wait()
					c.judge(t, res)
					mustProve(t, res, 0, 1, 2)
				})
			})
		}
	}
}

// TestRun_yieldEnds: catching up ends for good, whatever is left, and a later
// run does no more than that.
func TestRun_yieldEnds(t *testing.T) {
	t.Parallel()
	why := errors.New("there is no end to other work")
	for _, tc := range []struct {
		name string
		end  func(y *yielder, stop context.CancelCauseFunc)
		card error
	}{
		{"by its error", func(y *yielder, _ context.CancelCauseFunc) { y.leave <- why }, nil},
		{"by a stop", func(_ *yielder, stop context.CancelCauseFunc) { stop(why) }, why},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T, base string) {
				g := newLate(t, base, lateCard())
				y := &yielder{from: 10, entered: make(chan struct{}), leave: make(chan error)}
				g.job.Yield = y.wait
				ctx, stop := context.WithCancelCause(t.Context())
				defer stop(nil)
				c := g.watched()
				ended := make(chan Result, 1)
				go func() { ended <- c.run.carryOut(ctx) }()
				<-y.entered
				synctest.Wait()
				tc.end(y, stop)
				res := <-ended
				synctest.Wait()
				c.judge(t, res)
				mustProve(t, res, 0, 1)
				third := res.Copies[2]
				if third.Phase != state.CopyUnfinished || !errors.Is(third.Err, why) || third.Folder != testFolder+UnfinishedSuffix {
					t.Errorf("%s in %q: %v", third.Phase, third.Folder, third.Err)
				}
				if !errors.Is(res.CardErr, tc.card) || len(res.Damaged) != 0 || y.asked.Load() != 10 {
					t.Errorf("card error %v, damaged %v, asked %d times", res.CardErr, res.Damaged, y.asked.Load())
				}
				g.goOnWithThird(t)
			})
		})
	}
}

// goOnWithThird is a later run for the third drive alone.
func (g *rig) goOnWithThird(t *testing.T) {
	t.Helper()
	g.goOn()
	d := g.job.Drives[2]
	g.drives, g.job.Drives = g.drives[2:], g.job.Drives[2:]
	if len(d.Held) == 0 || len(d.Held) == len(g.job.Plan.Files) {
		t.Fatalf("%d files are held, so this test shows nothing", len(d.Held))
	}
	g.job.CardDone, g.job.Yield, g.job.Copies = nil, nil, 0
	res := Run(t.Context(), g.job)
	if res.Copies[0].Phase != state.CopyProven {
		t.Fatalf("%s: %v", res.Copies[0].Phase, res.Copies[0].Err)
	}
	for _, f := range g.job.Plan.Files {
		_, held := d.Held[f.Path]
		made := slices.Contains(sorted(g.drives[0].sinks), work(f.Path))
		if made == held {
			t.Errorf("%s: held %v, written again %v", f.Path, held, made)
		}
	}
	if err := g.tree.differs(g.on(2, testFolder)); err != nil {
		t.Error(err)
	}
}

func sorted(sinks map[string][]*sinkRecord) (names []string) {
	for name := range sinks {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}
