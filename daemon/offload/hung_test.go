package offload

import (
	"context"
	"errors"
	"maps"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/state"
)

// TestRun_driveHangs: one drive never answers. The others get their copies, and
// Run returns while the call is still stuck; when it wakes up at last, nothing
// more is done to the drive. The bubble ends only when every goroutine has.
func TestRun_driveHangs(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name string
		at   func(call) bool
	}{
		{"at the first look", func(c call) bool { return c.kind == "lstat" && c.n == 1 }},
		{"making folders", func(c call) bool { return c.kind == "mkdir" }},
		{"writing", func(c call) bool { return c.kind == "write" && c.ofKind == 2 }},
		{"flushing", func(c call) bool { return c.kind == "sync" }},
		{"opening to read back", func(c call) bool { return c.kind == "open medium" }},
		{"reading back", func(c call) bool { return c.kind == "read medium" && c.ofKind == 3 }},
		{"flushing folders", func(c call) bool { return c.kind == "sync dir" && strings.HasSuffix(c.name, "/DCIM") }},
		{"flushing all", func(c call) bool { return c.kind == "sync all" }},
		{"renaming", func(c call) bool { return c.kind == "rename" }},
		{"after the rename", func(c call) bool { return c.kind == "sync dir" && c.name == testFolder }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			base := memoryDir(t)
			synctest.Test(t, func(t *testing.T) { hang(t, base, tc.at) })
		})
	}
}

func hang(t *testing.T, base string, at func(call) bool) {
	// More than the ring holds, so that a drive that keeps its buffers would
	// stop everybody.
	tr := tree{"Z.MOV": file1(noise(7, 6*testChunk))}
	for name, n := range smallCard() {
		tr[name] = n
	}
	g := newRig(t, base, tr, 2)
	wake := make(chan struct{})
	stuck := false
	g.drives[0].hook = func(c call) *fault {
		g.drives[0].mu.Lock()
		hit := !stuck && at(c)
		stuck = stuck || hit
		g.drives[0].mu.Unlock()
		if hit {
			<-wake
		}
		return nil
	}
	res := Run(t.Context(), g.job)
	mustProve(t, res, 1)
	if c := res.Copies[0]; c.Phase != state.CopyFailed || !errors.Is(c.Err, ErrDriveHung) {
		t.Errorf("%s: %v", c.Phase, c.Err)
	}
	g.drives[0].mu.Lock()
	before := maps.Clone(g.drives[0].kinds)
	g.drives[0].mu.Unlock()
	close(wake)
	synctest.Wait()
	g.audit(t, res)
	for _, kind := range []string{"create", "remove", "rename"} {
		if n := g.drives[0].count(kind); n != before[kind] {
			t.Errorf("%d calls of %s after the drive was set aside", n-before[kind], kind)
		}
	}
	if g.rec.has("finished id-0") {
		t.Error("noted as finished though it was set aside")
	}
	if open := g.drives[0].unclosed(); len(open) > 0 {
		t.Errorf("left open: %q", open)
	}
}

// TestRun_hangsAfterAnotherFault: a yanked drive is often both, and must not be
// waited for because its first error was known.
func TestRun_hangsAfterAnotherFault(t *testing.T) {
	t.Parallel()
	base := memoryDir(t)
	synctest.Test(t, func(t *testing.T) {
		g, s := newRig(t, base, tree{"A.JPG": file1(bigNoise), "Z.MOV": file1(noise(7, 6*testChunk))}, 2), &slot{}
		g.job.Drives[0].Medium = s
		wake, writing, proving := make(chan struct{}), make(chan struct{}), make(chan struct{})
		// Reading back waits for a writer that is far behind, so the rest of the
		// large file comes only when the small one is being read back.
		g.card.hook = func(c call) *fault {
			if c.kind == "read" && c.name == "Z.MOV" && c.ofName == 2 {
				<-proving
			}
			return nil
		}
		g.drives[0].hook = func(c call) *fault {
			switch {
			case c.kind == "write" && strings.HasSuffix(c.name, "Z.MOV") && c.ofName == 1:
				close(writing)
				<-wake
			case c.kind == "read medium" && c.ofKind == 1:
				close(proving)
				<-writing
				s.set(errors.New("device id is another"), nil)
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		res := Run(t.Context(), g.job)
		mustProve(t, res, 1)
		if c := res.Copies[0]; c.Phase != state.CopyFailed || !errors.Is(c.Err, ErrDriveGone) {
			t.Errorf("%s: %v", c.Phase, c.Err)
		}
		close(wake)
		synctest.Wait()
		g.audit(t, res)
	})
}

// TestRun_stopped: the stop comes in mid-copy; everything ends, and what was
// proven until then is not lost.
func TestRun_stopped(t *testing.T) {
	t.Parallel()
	base := memoryDir(t)
	synctest.Test(t, func(t *testing.T) {
		g := newRig(t, base, manySmall(4*settleEvery), 2)
		ctx, stop := context.WithCancelCause(t.Context())
		why := errors.New("the service stops")
		g.card.hook = func(c call) *fault {
			if c.kind == "read" && c.ofKind == 3*settleEvery {
				stop(why)
			}
			return nil
		}
		res := Run(ctx, g.job)
		synctest.Wait()
		g.audit(t, res)
		if !errors.Is(res.CardErr, why) || phases(res) != "unfinished unfinished" {
			t.Errorf("%v, %s", res.CardErr, phases(res))
		}
		for i := range g.drives {
			if open := g.drives[i].unclosed(); len(open) > 0 {
				t.Errorf("left open: %q", open)
			}
		}
	})
}

// TestRun_hangsWhenGivenUp: the drive fails, and then does not even let its
// files be closed.
func TestRun_hangsWhenGivenUp(t *testing.T) {
	t.Parallel()
	base := memoryDir(t)
	synctest.Test(t, func(t *testing.T) {
		g := newRig(t, base, manySmall(20), 2)
		wake := make(chan struct{})
		g.drives[0].hook = func(c call) *fault {
			switch {
			case c.kind == "create" && c.ofKind == 9:
				return &fault{err: syscall.ENODEV}
			case c.kind == "close":
				<-wake
			}
			return nil
		}
		ended := make(chan Result, 1)
		go func() { ended <- Run(t.Context(), g.job) }()
		select {
		case res := <-ended:
			mustProve(t, res, 1)
			if c := res.Copies[0]; c.Phase != state.CopyFailed || !errors.Is(c.Err, ErrDriveGone) {
				t.Errorf("%s: %v", c.Phase, c.Err)
			}
			close(wake)
		case <-time.After(time.Hour):
			t.Error("the run waits for the drive for good")
			close(wake)
			<-ended
		}
		synctest.Wait()
	})
}
