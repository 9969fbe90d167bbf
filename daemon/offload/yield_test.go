package offload

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/state"
)

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

// TestRun_yieldEndsWithCardThere: nor is the card asked any more.
func TestRun_yieldEndsWithCardThere(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		damage("read", fault{err: syscall.EIO})(g.card, "DCIM/011.JPG")
		why, cardCalls := errors.New("other work"), 0
		g.job.Yield = func(context.Context) error { cardCalls = g.card.calls(); return why }
		res, _ := g.follow(t.Context(), t)
		if phases(res) != "incomplete incomplete unfinished" || !errors.Is(res.Copies[2].Err, why) || res.CardErr != nil {
			t.Errorf("%s: %v, %v", phases(res), res.Copies[2].Err, res.CardErr)
		}
		if n := g.card.calls() - cardCalls; n != 0 {
			t.Errorf("%d calls on the card", n)
		}
	})
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
