package offload

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"syscall"
	"testing"

	"bothy/daemon/state"
)

// lastSteps are the calls on a drive between the last proof of a file and the
// copy's end, when nothing goes wrong.
func lastSteps(t *testing.T, prepare func(*rig)) []call {
	t.Helper()
	g := newRig(t, memoryDir(t), smallCard(), 1)
	prepare(g)
	var calls []call
	d := g.drives[0]
	d.hook = func(c call) *fault {
		d.mu.Lock()
		defer d.mu.Unlock()
		calls = append(calls, c)
		return nil
	}
	mustProve(t, Run(context.Background(), g.job), 0)
	// Each file is opened once to be proven; the second time is the second look.
	first := slices.IndexFunc(calls, func(c call) bool { return c.kind == "open medium" && c.ofName == 2 })
	if first < 0 || len(calls)-first < 12 {
		t.Fatalf("the last steps are not among %v", calls)
	}
	return calls[first:]
}

// TestRun_faultAtEveryLastStep: from the last file on, each step is one that the
// proof rests on. Whichever fails, the copy is not called proven, nobody is told
// that it is finished, and before the rename it does not have its name.
func TestRun_faultAtEveryLastStep(t *testing.T) {
	t.Parallel()
	for name, prepare := range map[string]func(*rig){
		"flushed one by one": func(*rig) {},
		"flushed in groups":  func(g *rig) { g.job.Drives[0].Limits.SyncfsFlushes = true },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			renamed := false
			for _, step := range lastSteps(t, prepare) {
				for _, after := range []bool{false, true} {
					lastStepFails(t, prepare, step, after, renamed)
				}
				renamed = renamed || step.kind == "rename"
			}
		})
	}
}

func lastStepFails(t *testing.T, prepare func(*rig), step call, after, renamed bool) {
	t.Helper()
	g := newRig(t, memoryDir(t), smallCard(), 1)
	defer os.RemoveAll(g.base)
	prepare(g)
	hit := false
	d := g.drives[0]
	d.hook = func(c call) *fault {
		if c.kind != step.kind || c.name != step.name || c.ofName != step.ofName {
			return nil
		}
		hit = true
		return &fault{err: syscall.EIO, after: after}
	}
	res := Run(context.Background(), g.job)
	where := fmt.Sprintf("%s %q fails, done all the same: %v", step.kind, step.name, after)
	if !hit {
		t.Fatalf("%s: there was no such call", where)
	}
	g.audit(t, res)
	c := res.Copies[0]
	if c.Phase != state.CopyFailed || !errors.Is(c.Err, syscall.EIO) || g.rec.has("finished id-0") {
		t.Errorf("%s: %s: %v; noted as finished: %v", where, c.Phase, c.Err, g.rec.has("finished id-0"))
	}
	_, err := os.Lstat(g.on(0, testFolder))
	if named := err == nil; named != (renamed || step.kind == "rename" && after) {
		t.Errorf("%s: the copy has its name: %v", where, named)
	}
	if flush := strings.HasPrefix(step.kind, "sync"); flush != (res.FlushFailures == 1) {
		t.Errorf("%s: %d failed flushes are counted", where, res.FlushFailures)
	}
}

// TestRun_manifestIsDoubted: a manifest that cannot be written, or that the drive
// does not give back as it was written, proves nothing.
func TestRun_manifestIsDoubted(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		kind  string
		fault func(g *rig) *fault
	}{
		"a file stands where the history goes": {"set time", func(g *rig) *fault {
			return &fault{before: func() { os.WriteFile(g.on(0, work("ascmhl")), nil, 0o600) }}
		}},
		"a flipped bit":   {"read medium", func(*rig) *fault { return &fault{change: flip0} }},
		"cannot be read":  {"read medium", func(*rig) *fault { return &fault{err: syscall.EIO} }},
		"cannot be found": {"open medium", func(*rig) *fault { return &fault{err: syscall.ENOENT} }},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			g := newRig(t, memoryDir(t), smallCard(), 2)
			g.drives[0].hook = func(c call) *fault {
				if c.kind == tc.kind && (strings.HasPrefix(c.name, work("ascmhl/")) || c.name == work("MISC")) {
					return tc.fault(g)
				}
				return nil
			}
			res := Run(context.Background(), g.job)
			mustProve(t, res, 1)
			_, err := os.Lstat(g.on(0, testFolder))
			if c := res.Copies[0]; c.Phase != state.CopyFailed || err == nil || g.rec.has("finishing id-0") {
				t.Errorf("%s: %v; it has its name: %v", c.Phase, c.Err, err == nil)
			}
		})
	}
}
