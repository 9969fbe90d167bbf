package offload

import (
	"context"
	"errors"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"bothy/daemon/state"
)

// second reports whether a call opens a file for the second look: the first time
// is the one that proves it.
func second(c call) bool {
	return c.kind == "open medium" && c.ofName == 2 && strings.HasSuffix(c.name, ".JPG")
}

// TestRun_secondLookSideBySide: where seeking would hurt one file is looked at
// after the other, and else some at a time.
func TestRun_secondLookSideBySide(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newRig(t, base, manySmall(40), 2)
		g.job.Drives[0].ReadBackAfter = true
		var mu sync.Mutex
		now, most := [2]int{}, [2]int{}
		for i, d := range g.drives {
			d.hook = func(c call) *fault {
				if !second(c) {
					return nil
				}
				mu.Lock()
				now[i]++
				most[i] = max(most[i], now[i])
				mu.Unlock()
				time.Sleep(time.Second) // of the bubble
				mu.Lock()
				now[i]--
				mu.Unlock()
				return nil
			}
		}
		res := Run(t.Context(), g.job)
		mustProve(t, res, 0, 1)
		g.audit(t, res)
		if most[0] != 1 || most[1] < 2 || most[1] > 16 {
			t.Errorf("%d files at a time where seeking hurts, and %d where it does not", most[0], most[1])
		}
	})
}

// TestRun_secondLookEndsEarly: what ends the second look before all files were
// looked at leaves the copy without its name, and the rest is not looked at.
func TestRun_secondLookEndsEarly(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		end  func(stop func(), s *slot) *fault
		want state.CopyPhase
	}{
		"a stop":               {func(stop func(), _ *slot) *fault { stop(); return nil }, state.CopyUnfinished},
		"a file that is bad":   {func(func(), *slot) *fault { return &fault{err: syscall.EIO} }, state.CopyFailed},
		"the drive is another": {func(_ func(), s *slot) *fault { s.set(ErrDriveGone, ErrDriveGone); return &fault{err: syscall.ENODEV} }, state.CopyFailed},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T, base string) {
				g, s := newRig(t, base, manySmall(60), 1), &slot{}
				g.job.Drives[0].Medium = s
				ctx, cancel := context.WithCancelCause(t.Context())
				stop := func() { cancel(errors.New("the service stops")) }
				var mu sync.Mutex
				looks := 0
				g.drives[0].hook = func(c call) *fault {
					if !second(c) {
						return nil
					}
					mu.Lock()
					looks++
					first := looks == 1
					mu.Unlock()
					if first {
						return tc.end(stop, s)
					}
					time.Sleep(time.Second) // of the bubble: the first is known by then
					return nil
				}
				res := Run(ctx, g.job)
				g.audit(t, res)
				if c := res.Copies[0]; c.Phase != tc.want || looks > 20 || g.rec.has("finishing ") || g.drives[0].count("rename") != 0 {
					t.Errorf("%s: %v after %d looks; noted as finishing: %v", c.Phase, c.Err, looks, g.rec.has("finishing "))
				}
			})
		})
	}
}

// laterFS lies about the length of one file from the second time on that it is
// opened.
type laterFS struct {
	otherFS
	mu     *sync.Mutex
	opened *int // guarded by mu
}

func (x laterFS) OpenMedium(name string) (Source, error) {
	if name != x.ending {
		return x.FS.OpenMedium(name)
	}
	x.mu.Lock()
	*x.opened++
	first := *x.opened == 1
	x.mu.Unlock()
	if first {
		return x.FS.OpenMedium(name)
	}
	return x.otherFS.OpenMedium(name)
}

// TestRun_secondLookAtTheLength: a file that agreed and has another length now is
// another file, whatever its samples say.
func TestRun_secondLookAtTheLength(t *testing.T) {
	t.Parallel()
	for _, by := range []int64{-1, 1, 4096} {
		g := newRig(t, memoryDir(t), smallCard(), 2)
		opened := 0
		g.job.Drives[0].FS = laterFS{otherFS{g.drives[0], work("DCIM/C.JPG"), sized(by)}, &sync.Mutex{}, &opened}
		res := Run(context.Background(), g.job)
		mustProve(t, res, 1)
		g.audit(t, res)
		if c := res.Copies[0]; c.Phase != state.CopyFailed || !errors.Is(c.Err, ErrMismatch) || res.Mismatches != 1 || opened != 2 {
			t.Errorf("%d bytes: %s: %v; %d mismatches; opened %d times", by, c.Phase, c.Err, res.Mismatches, opened)
		}
	}
}

// A second look that was not made, since the drive was set aside or nobody knows
// any more what the file should be, has not been passed.
func TestSecondLook_notMade(t *testing.T) {
	t.Parallel()
	gone := errors.New("it was set aside")
	for name, prepare := range map[string]func(*target){
		"set aside":            func(d *target) { d.setAside(gone) },
		"the checksum is gone": func(d *target) { d.restand(d.run.files[1], proven) },
	} {
		g := newRig(t, memoryDir(t), smallCard(), 1)
		d := newRun(&g.job).targets[0]
		if err := d.secondLook(t.Context()); err != nil {
			t.Errorf("nothing stands proven, so nothing is to be looked at: %v", err)
		}
		prepare(d)
		if err := d.secondLook(t.Context()); err == nil {
			t.Errorf("%s: it was passed", name)
		}
	}
}
