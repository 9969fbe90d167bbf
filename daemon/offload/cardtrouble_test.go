package offload

import (
	"context"
	"errors"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/state"
)

// unheard is a card of which only a question says what has become of it.
type unheard struct{ answer error }

func (unheard) Check() error     { return nil }
func (m unheard) Confirm() error { return m.answer }

// TestRun_cardAnswersOnly: nothing but the card's own answer says that it is
// another one. Nothing that was read counts, nothing is read in vain, and no file
// is said to be bad.
func TestRun_cardAnswersOnly(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		failing string
		opened  int
	}{
		"asked at the end":         {"", 4},
		"asked after a bad sector": {"DCIM/001.JPG", 2},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			g := newRig(t, memoryDir(t), manySmall(4), 1)
			g.job.Card.Medium = unheard{ErrCardChanged}
			damage("read", fault{err: syscall.EIO})(g.card, tc.failing)
			res := Run(context.Background(), g.job)
			g.audit(t, res)
			if !errors.Is(res.CardErr, ErrCardChanged) || len(res.Unreadable) != 0 || g.card.count("open") != tc.opened || g.rec.has("proven ") {
				t.Errorf("%v, unreadable %v, %d files were opened, proofs: %v", res.CardErr, res.Unreadable, g.card.count("open"), g.rec.has("proven "))
			}
		})
	}
}

// TestRun_stoppedAtABadSector: the service stops while the card has trouble.
// Nobody has found out yet that the file is bad.
func TestRun_stoppedAtABadSector(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), manySmall(4), 1)
	ctx, stop := context.WithCancelCause(t.Context())
	why := errors.New("the service stops")
	g.card.hook = func(c call) *fault {
		if c.kind == "read" && strings.HasSuffix(c.name, "001.JPG") {
			stop(why)
			return &fault{err: syscall.EIO}
		}
		return nil
	}
	res := Run(ctx, g.job)
	g.audit(t, res)
	if !errors.Is(res.CardErr, why) || len(res.Unreadable) != 0 || phases(res) != "unfinished" {
		t.Errorf("%v, %s, unreadable %v", res.CardErr, phases(res), res.Unreadable)
	}
}

// TestRun_badFilesDoNotAddUp: a card is given time to turn out pulled, but not
// anew with each of its many bad files.
func TestRun_badFilesDoNotAddUp(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newRig(t, base, manySmall(40), 1)
		g.job.Card.Medium, g.job.Settle = unheard{}, time.Hour
		g.card.hook = func(c call) *fault {
			if c.kind == "open" {
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		began := time.Now() // of the bubble
		res := Run(t.Context(), g.job)
		if took := time.Since(began); took > 20*time.Hour || len(res.Unreadable) != 40 {
			t.Errorf("%d files cannot be read, and that took %v", len(res.Unreadable), took)
		}
	})
}

// TestRun_stoppedWithoutABuffer: the service stops while every buffer is with a
// drive. What was read of the file until then is not the file.
func TestRun_stoppedWithoutABuffer(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newRig(t, base, tree{"A.MOV": file1(noise(7, 9*testChunk))}, 1)
		ctx, stop := context.WithCancelCause(t.Context())
		why, goOn := errors.New("the service stops"), make(chan struct{})
		g.drives[0].hook = func(c call) *fault {
			if c.kind == "write" {
				<-goOn
			}
			return nil
		}
		ended := make(chan Result, 1)
		go func() { ended <- Run(ctx, g.job) }()
		synctest.Wait()
		stop(why)
		synctest.Wait()
		close(goOn)
		res := <-ended
		g.audit(t, res)
		if !errors.Is(res.CardErr, why) || len(res.Sums) != 0 || g.rec.has("read ") || phases(res) != "unfinished" {
			t.Errorf("%v, %s, checksums %v, noted: %v", res.CardErr, phases(res), res.Sums, g.rec.has("read "))
		}
	})
}

// TestRun_cardGivesNothing: a file that ends without a word before its end is no
// whole file, and no drive's fault.
func TestRun_cardGivesNothing(t *testing.T) {
	t.Parallel()
	for _, from := range []int64{0, 4096} {
		g := newRig(t, memoryDir(t), smallCard(), 1)
		const bad = "DCIM/100SKUAS/B.JPG"
		g.job.Card.FS = otherFS{g.card, "B.JPG", silent(from)}
		res := Run(context.Background(), g.job)
		c := res.Copies[0]
		if _, ok := res.Sums[bad]; ok || c.Phase != state.CopyIncomplete || res.Unreadable[bad] == "" || res.Mismatches != 0 || res.CardErr != nil {
			t.Errorf("from byte %d: %s: %v; %q, a checksum: %v, %d mismatches, %v", from, c.Phase, c.Err, res.Unreadable[bad], ok, res.Mismatches, res.CardErr)
		}
		for name, n := range g.tree {
			if _, ok := res.Sums[name]; !ok && !n.dir && name != bad {
				t.Errorf("from byte %d: no checksum of %s", from, name)
			}
		}
	}
}

// TestRun_notedOnce: what is read again since a drive has lost it is no news to
// the recorder.
func TestRun_notedOnce(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	g.drives[0].hook = func(c call) *fault {
		if c.kind == "sync" && c.name == work("DCIM/100SKUAS/A.MOV") && c.ofName == 1 {
			return &fault{err: syscall.EIO}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0, 1)
	g.audit(t, res)
	if n := g.card.count("open"); n != len(g.job.Plan.Files)+1 {
		t.Fatalf("%d files were read", n)
	}
	times := map[string]int{}
	for _, e := range g.rec.events {
		times[e]++
	}
	for e, n := range times {
		if n != 1 {
			t.Errorf("%q was noted %d times", e, n)
		}
	}
}

// TestRun_stopLeavesTheRestUnproven: a stop does not wait until all that was
// written is read back.
func TestRun_stopLeavesTheRestUnproven(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), manySmall(40), 1)
	g.job.Drives[0].ReadBackAfter = true
	ctx, stop := context.WithCancelCause(t.Context())
	g.drives[0].hook = func(c call) *fault {
		if c.kind == "open medium" {
			stop(errors.New("the service stops"))
		}
		return nil
	}
	res := Run(ctx, g.job)
	g.audit(t, res)
	if n := g.drives[0].count("open medium"); n != 1 || phases(res) != "unfinished" {
		t.Errorf("%s; %d files were looked at", phases(res), n)
	}
}

// TestRun_cardAskedAgainWhenLate: the drive that is late gets from the card what
// no copy gives, also when it loses it once more.
func TestRun_cardAskedAgainWhenLate(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		g.job.Attempts = 2
		damage("read", fault{err: syscall.EIO})(g.card, "DCIM/011.JPG")
		for i := range 2 {
			damage("read medium", fault{change: flip})(g.drives[i], testFolder+IncompleteSuffix+"/B.MOV")
		}
		slowly, lost := g.drives[2].hook, 0
		g.drives[2].hook = func(c call) *fault {
			slowly(c)
			g.card.mu.Lock()
			fromTheCard := g.card.named["open B.MOV"] > 1
			g.card.mu.Unlock()
			if c.kind == "sync" && c.name == work("B.MOV") && fromTheCard && lost == 0 {
				lost++
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		res, _ := g.follow(t.Context(), t)
		if phases(res) != "incomplete incomplete incomplete" || lost != 1 || res.FlushFailures != 1 {
			t.Errorf("%s: %v; lost %d times", phases(res), res.Copies[2].Err, lost)
		}
	})
}

// TestRun_manifestGivesNothing: a drive that gives nothing of the manifest any
// more, and says nothing either, has no proven copy, and holds nobody up.
func TestRun_manifestGivesNothing(t *testing.T) {
	t.Parallel()
	for _, from := range []int64{0, 4096} {
		g := newRig(t, memoryDir(t), manySmall(40), 2)
		g.job.Drives[0].FS = otherFS{g.drives[0], ".mhl", silent(from)}
		res := Run(context.Background(), g.job)
		mustProve(t, res, 1)
		if c := res.Copies[0]; c.Phase != state.CopyFailed || !errors.Is(c.Err, ErrMismatch) || g.rec.has("finishing id-0") {
			t.Errorf("from byte %d: %s: %v", from, c.Phase, c.Err)
		}
	}
}
