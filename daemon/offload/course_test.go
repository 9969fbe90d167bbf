package offload

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/state"
)

// course is how a run went in the bubble's own time.
type course struct {
	rig *rig
	run *run

	mu       sync.Mutex
	begun    time.Time
	finished map[string]time.Duration // guarded by mu; by drive id, when it was noted
	done     []cardDone               // guarded by mu
}

// cardDone is a look around at the moment when the card was said to be done.
type cardDone struct {
	after     time.Duration
	finished  int // drives noted as finished
	cardCalls int
}

// awaited gives each drive a disk of its own, of which so many are waited for.
func (g *rig) awaited(copies int) *rig {
	g.job.Copies, g.job.Patience, g.job.Portions.Buffers = copies, 1000*time.Hour, 8
	for i := range g.job.Drives {
		d := &g.job.Drives[i]
		d.Place = Place{DriveID: d.ID, Disks: []string{fmt.Sprintf("sd%c", 'a'+i)}, DiskKey: fmt.Sprintf("key %d", i)}
	}
	return g
}

// takes makes some kinds of call on a drive take time.
func (x *faultFS) takes(how func(call) time.Duration) {
	then := x.hook
	x.hook = func(c call) *fault {
		if d := how(c); d > 0 {
			time.Sleep(d)
		}
		if then != nil {
			return then(c)
		}
		return nil
	}
}

// each makes every call of one kind take so long.
func each(kind string, d time.Duration) func(call) time.Duration {
	return func(c call) time.Duration {
		if c.kind == kind {
			return d
		}
		return 0
	}
}

// follow runs the job and holds what must hold of any run.
func (g *rig) follow(ctx context.Context, t tester) (Result, *course) {
	t.Helper()
	c := g.watched()
	res := c.run.carryOut(ctx)
	synctest.Wait()
	c.judge(t, res)
	return res, c
}

// watched readies a run whose course is noted.
func (g *rig) watched() *course {
	c := &course{rig: g, begun: time.Now(), finished: map[string]time.Duration{}}
	g.rec.hear(func(event string) {
		if rest, ok := strings.CutPrefix(event, "finished "); ok {
			c.mu.Lock()
			defer c.mu.Unlock()
			id, _, _ := strings.Cut(rest, " ")
			c.finished[id] = time.Since(c.begun)
		}
	})
	told := g.job.CardDone
	g.job.CardDone = func() {
		if told != nil {
			told()
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		c.done = append(c.done, cardDone{time.Since(c.begun), len(c.finished), g.card.calls()})
	}
	c.run = newRun(&g.job)
	return c
}

// isDone reports whether the card was said to be done.
func (c *course) isDone() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.done) > 0
}

// hear adds somebody who is told of every event.
func (m *memory) hear(also func(string)) {
	then := m.onAll
	m.onAll = func(e string) {
		also(e)
		if then != nil {
			then(e)
		}
	}
}

func (c *course) judge(t tester, res Result) {
	t.Helper()
	g := c.rig
	if len(c.done) > 1 {
		t.Fatalf("the card was said to be done %d times", len(c.done))
	}
	for _, d := range c.done {
		if d.finished < g.job.Copies || g.job.Copies <= 0 {
			t.Fatalf("the card was said to be done with %d copies finished of %d", d.finished, g.job.Copies)
		}
		if n := g.card.calls() - d.cardCalls; n != 0 {
			t.Fatalf("%d calls on the card after it was said to be done", n)
		}
	}
	for i := range g.drives {
		if open := g.drives[i].unclosed(); len(open) > 0 {
			t.Fatalf("left open on drive %d: %q", i, open)
		}
		_, noted := c.finished[g.job.Drives[i].ID]
		if whole := c.run.targets[i].ended() == state.CopyProven; whole && !noted {
			t.Fatalf("drive %d is %s and not noted", i, res.Copies[i].Phase)
		}
	}
	if open := g.card.unclosed(); len(open) > 0 {
		t.Fatalf("left open on the card: %q", open)
	}
	if n, all := int64(len(c.run.ring.free))*testChunk, c.run.ring.sizeBytes.Load(); n < all {
		t.Fatalf("buffers of %d bytes of %d came back", n, all)
	}
	g.audit(t, res)
}

// last is when the last of some drives was finished.
func (c *course) last(t tester, drives ...int) (last time.Duration) {
	t.Helper()
	for _, i := range drives {
		at, ok := c.finished[c.rig.job.Drives[i].ID]
		if !ok {
			t.Fatalf("drive %d was not finished", i)
		}
		last = max(last, at)
	}
	return last
}

// inBubble makes a rig outside, whose files outlive it, and runs within.
func inBubble(t *testing.T, body func(t *testing.T, base string)) {
	t.Helper()
	base := memoryDir(t)
	synctest.Test(t, func(t *testing.T) { body(t, base) })
}

// below counts the calls of one kind on names below the finished folder.
func (x *faultFS) below(kind string) (n int) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for name, times := range x.named {
		if strings.HasPrefix(name, kind+" "+testFolder+"/") || strings.HasPrefix(name, kind+" "+testFolder+IncompleteSuffix+"/") {
			n += times
		}
	}
	return n
}
