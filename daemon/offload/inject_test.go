package offload

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"

	"bothy/daemon/state"
)

var bigNoise = noise(1, chunk1+5000)

// smallCard has one of everything that takes a way of its own: a file that is
// flushed alone, files that are flushed in a group, an empty one, folders.
func smallCard() tree {
	return tree{
		"DCIM/100SKUAS/A.MOV": file1(bigNoise),
		"DCIM/100SKUAS/B.JPG": file1(noise(2, 6000)),
		"DCIM/C.JPG":          file1(noise(3, 4096)),
		"EMPTY.TXT":           file1(nil),
		"MISC":                {dir: true, at: testTime},
	}
}

// ways are the things that can go wrong with one call. Not every call can have
// every fault; where it cannot, the call just succeeds.
var ways = []struct {
	name string
	make func(c call, stop context.CancelFunc) *fault
}{
	{"EIO before", func(call, context.CancelFunc) *fault { return &fault{err: syscall.EIO} }},
	{"EIO after", func(call, context.CancelFunc) *fault { return &fault{err: syscall.EIO, after: true} }},
	{"ENOSPC", func(call, context.CancelFunc) *fault { return &fault{err: syscall.ENOSPC} }},
	{"short", func(call, context.CancelFunc) *fault { return &fault{err: io.ErrShortWrite, short: true} }},
	{"early end", func(c call, _ context.CancelFunc) *fault {
		if !strings.HasPrefix(c.kind, "read") {
			return nil
		}
		return &fault{err: io.EOF, after: true}
	}},
	{"flipped bit", func(call, context.CancelFunc) *fault { return &fault{change: flip} }},
	{"zeros", func(call, context.CancelFunc) *fault { return &fault{change: func(b []byte) { clear(b) }} }},
	{"stop", func(_ call, stop context.CancelFunc) *fault { return &fault{before: stop} }},
	{"stop and EIO", func(_ call, stop context.CancelFunc) *fault { return &fault{before: stop, err: syscall.EIO} }},
}

func flip(b []byte) {
	if len(b) > 0 {
		b[len(b)/3] ^= 0x10
	}
}

// TestRun_faultAtEveryCall counts the calls that an undisturbed run makes on
// one drive, and then lets each of them go wrong in each way.
func TestRun_faultAtEveryCall(t *testing.T) {
	t.Parallel()
	for name, prepare := range map[string]func(*rig){
		"flushed one by one": func(*rig) {},
		"flushed in groups, read back at the end": func(g *rig) {
			g.job.Drives[0].Limits.SyncfsFlushes, g.job.Drives[0].ReadBackAfter = true, true
		},
		"read back while written": func(g *rig) {
			g.job.Drives[0].Limits.ReadsWhileWritten, g.job.Portions.FollowBytes = true, 1
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			n := undisturbed(t, prepare, func(g *rig) *faultFS { return g.drives[0] })
			for at := 1; at <= n; at += callStep {
				for _, w := range ways {
					driveFault(t, prepare, at, w.name, w.make)
				}
			}
		})
	}
}

func undisturbed(t *testing.T, prepare func(*rig), which func(*rig) *faultFS) int {
	t.Helper()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	prepare(g)
	planned := which(g).calls()
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0, 1)
	g.audit(t, res)
	return which(g).calls() - planned
}

func driveFault(t *testing.T, prepare func(*rig), at int, name string, make func(call, context.CancelFunc) *fault) {
	t.Helper()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	defer os.RemoveAll(g.base)
	prepare(g)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	var hit atomic.Pointer[call]
	g.drives[0].hook = func(c call) *fault {
		if c.n != at {
			return nil
		}
		hit.Store(&c)
		return make(c, stop)
	}
	res := Run(ctx, g.job)
	where := fmt.Sprintf("%s at call %d", name, at)
	if c := hit.Load(); c != nil {
		where += fmt.Sprintf(" (%s %q)", c.kind, c.name)
	}
	g.auditCalled(t, where, res)
	if strings.HasPrefix(name, "stop") {
		return
	}
	if res.Copies[1].Phase != state.CopyProven || res.CardErr != nil {
		t.Fatalf("%s: the other drive is %s: %v", where, res.Copies[1].Phase, res.Copies[1].Err)
	}
}

// auditCalled is audit with the fault's place in the message.
func (g *rig) auditCalled(t *testing.T, where string, res Result) {
	t.Helper()
	for i := range g.drives {
		if err := g.auditDrive(i, res.Copies[i]); err != nil {
			t.Fatalf("%s: drive %d is %s (%v): %v", where, i, res.Copies[i].Phase, res.Copies[i].Err, err)
		}
		if open := g.drives[i].unclosed(); len(open) > 0 {
			t.Fatalf("%s: left open: %q", where, open)
		}
	}
	g.audit(t, res)
}

// TestRun_faultAtEveryCallOnTheCard: whatever reading the card does, no copy
// that lacks something is called proven. A silent change of what is read once
// cannot be found, by anybody; read-back-twice finds it.
func TestRun_faultAtEveryCallOnTheCard(t *testing.T) {
	t.Parallel()
	twice := func(g *rig) { g.job.Verify = VerifyReadBackTwice }
	n := undisturbed(t, twice, func(g *rig) *faultFS { return g.card })
	for at := 1; at <= n; at += callStep {
		for _, w := range ways {
			g := newRig(t, memoryDir(t), smallCard(), 2)
			twice(g)
			ctx, stop := context.WithCancel(context.Background())
			planned := g.card.calls()
			var struck atomic.Bool
			g.card.hook = func(c call) *fault {
				if c.n != planned+at {
					return nil
				}
				f := w.make(c, stop)
				struck.Store(f != nil && (f.err != nil || f.change != nil && c.kind == "read"))
				return f
			}
			res := Run(ctx, g.job)
			stop()
			where := fmt.Sprintf("%s at call %d", w.name, at)
			g.auditCalled(t, where, res)
			if struck.Load() && w.name != "short" && res.CardErr == nil {
				for _, c := range res.Copies {
					if c.Phase == state.CopyProven && len(res.Unreadable)+len(res.Changed) > 0 {
						t.Fatalf("%s: proven, and %v %v", where, res.Unreadable, res.Changed)
					}
				}
			}
			if strings.HasPrefix(w.name, "stop") && !errors.Is(res.CardErr, context.Canceled) {
				t.Fatalf("%s: %v", where, res.CardErr)
			}
			os.RemoveAll(g.base)
		}
	}
}
