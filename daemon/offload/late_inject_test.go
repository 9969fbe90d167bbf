package offload

import (
	"context"
	"fmt"
	"os"
	"sync/atomic"
	"testing"
	"testing/synctest"

	"bothy/daemon/state"
)

// TestRun_lateFaultAtEveryCall lets each call go wrong that is made on a drive
// which is let go and catches up, and each that is made on the copies it
// catches up from. The other drives prove theirs, whatever happens.
func TestRun_lateFaultAtEveryCall(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name   string
		drive  int
		follow bool
	}{
		{"on the late drive", 2, false},
		{"on the late drive, read back while written", 2, true},
		{"on the copy it is caught up from", 0, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			var first, last int
			inBubble(t, func(t *testing.T, base string) {
				g := newLateSmall(t, base, tc.follow)
				d := g.drives[tc.drive]
				first = d.calls() + 1
				if tc.drive == 0 {
					g.job.CardDone = func() { first = d.calls() + 1 }
				}
				res, _ := g.follow(t.Context(), t)
				mustProve(t, res, 0, 1, 2)
				if last = d.calls(); g.fromCopies() == 0 {
					t.Error("nothing was caught up")
				}
			})
			for at := first; at <= last; at += callStep {
				for i, w := range ways {
					if i%3 != at%3 {
						continue // the next calls, which are much alike, go wrong in the other ways
					}
					lateFault(t, tc.drive, tc.follow, at, w.name, w.make)
				}
			}
		})
	}
}

// newLateSmall is a small card for many runs.
func newLateSmall(t tester, base string, follow bool) *rig {
	tr := smallCard()
	for i, name := range []string{"DCIM/D.MOV", "DCIM/E.MOV"} { // a buffer each
		tr[name] = file1(noise(i, testChunk/2+1))
	}
	g := newLate(t, base, tr)
	g.job.Portions.Buffers = 2
	g.job.Portions.FollowBytes = 1
	for i := range g.job.Drives {
		g.job.Drives[i].Limits.ReadsWhileWritten = follow
	}
	return g
}

func lateFault(t *testing.T, drive int, follow bool, at int, name string, make func(call, context.CancelFunc) *fault) {
	t.Helper()
	base := memoryDir(t)
	defer os.RemoveAll(base)
	synctest.Test(t, func(t *testing.T) {
		g := newLateSmall(t, base, follow)
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		var hit atomic.Pointer[call]
		slowly := g.drives[drive].hook
		g.drives[drive].hook = func(c call) *fault {
			if slowly != nil {
				slowly(c)
			}
			if c.n != at {
				return nil
			}
			hit.Store(&c)
			return make(c, stop)
		}
		c := g.watched()
		res := c.run.carryOut(ctx)
		synctest.Wait()
		where := fmt.Sprintf("%s at call %d", name, at)
		if k := hit.Load(); k != nil {
			where += fmt.Sprintf(" (%s %q)", k.kind, k.name)
		}
		g.auditCalled(t, where, res)
		c.judge(t, res)
		if ctx.Err() != nil {
			return
		}
		for i := range g.drives {
			if third := i == drive && drive == 2; !third && (res.Copies[i].Phase != state.CopyProven || res.CardErr != nil) {
				t.Fatalf("%s: drive %d is %s: %v", where, i, res.Copies[i].Phase, res.Copies[i].Err)
			}
		}
	})
}
