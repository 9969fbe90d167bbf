package offload

import (
	"errors"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"bothy/daemon/state"
)

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
