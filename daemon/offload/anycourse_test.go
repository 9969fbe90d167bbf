package offload

import (
	"context"
	"fmt"
	"io"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"bothy/daemon/state"
)

// temper is how one drive behaves.
type temper struct {
	write, read, create time.Duration
	fitEvery            int // write calls between fits of slowness; 0: none
	faultAt             int // call; 0: none
	faultEvery          int // calls; 0: once
	f                   fault
	hangs               bool
}

func tempers() *rapid.Generator[temper] {
	takes := rapid.SampledFrom([]time.Duration{0, 0, time.Millisecond, 30 * time.Millisecond, 2 * time.Second})
	return rapid.Custom(func(t *rapid.T) temper {
		k := temper{
			write: takes.Draw(t, "write"), read: takes.Draw(t, "read"), create: takes.Draw(t, "create"),
			fitEvery: rapid.SampledFrom([]int{0, 0, 5, 17}).Draw(t, "fits"),
		}
		if rapid.IntRange(0, 2).Draw(t, "faulty") == 0 {
			k.faultAt = rapid.IntRange(1, 120).Draw(t, "call")
			k.faultEvery = rapid.SampledFrom([]int{0, 0, 1, 9, 40}).Draw(t, "every")
			k.f = rapid.SampledFrom([]fault{
				{err: syscall.EIO}, {err: syscall.EIO, after: true}, {err: syscall.ENOSPC}, {err: io.EOF, after: true},
				{err: io.ErrShortWrite, short: true}, {change: flip}, {change: func(b []byte) { clear(b) }},
			}).Draw(t, "fault")
			k.hangs = rapid.IntRange(0, 5).Draw(t, "hangs") == 0
		}
		return k
	})
}

// hook behaves so; wake ends a hanging call.
func (k temper) hook(wake <-chan struct{}) func(call) *fault {
	return func(c call) *fault {
		switch d := map[string]time.Duration{"write": k.write, "read": k.read, "read medium": k.read, "create": k.create}[c.kind]; {
		case c.kind == "write" && k.fitEvery > 0 && c.ofKind%k.fitEvery == 0:
			time.Sleep(20 * time.Second)
		case d > 0:
			time.Sleep(d)
		}
		if k.faultAt == 0 || c.n < k.faultAt || c.n > k.faultAt && (k.faultEvery == 0 || (c.n-k.faultAt)%k.faultEvery != 0) {
			return nil
		}
		if k.hangs {
			<-wake
		}
		return &k.f
	}
}

// TestRun_anyCourse: any card, and drives of any speed with any faults. The run
// ends, with every buffer and descriptor given back and no goroutine left, and
// what it claims is so.
func TestRun_anyCourse(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		base := memoryDir(rt)
		card := trees(12).Draw(rt, "card")
		count := rapid.IntRange(1, 4).Draw(rt, "drives")
		var drives []temper
		for i := range count {
			drives = append(drives, tempers().Draw(rt, fmt.Sprint("drive ", i)))
		}
		prepare := courses(count).Draw(rt, "course")
		var failed string
		synctest.Test(t, func(t *testing.T) {
			defer func() { // rapid must not be left by a panic within the bubble
				if p := recover(); p != nil {
					failed = fmt.Sprint(p)
				}
			}()
			g := newRig(within{t}, base, card, count).awaited(0)
			g.job.Patience = 10 * time.Minute
			prepare(g)
			failed = anyCourse(within{t}, g, drives)
		})
		if failed != "" {
			rt.Fatal(failed)
		}
	})
}

// within makes a failure a panic, which the bubble can be left by.
type within struct{ *testing.T }

func (within) Fatalf(format string, args ...any) { panic(fmt.Sprintf(format, args...)) }

// courses draws what a job asks for.
func courses(drives int) *rapid.Generator[func(*rig)] {
	return rapid.Custom(func(t *rapid.T) func(*rig) {
		copies := rapid.IntRange(0, 3).Draw(t, "copies")
		level := rapid.SampledFrom([]Level{VerifyReadBack, VerifyReadBack, VerifyReadBackTwice}).Draw(t, "level")
		buffers := rapid.IntRange(1, 6).Draw(t, "buffers")
		behind := rapid.Int64Range(1, 2*testChunk).Draw(t, "follow")
		var after, syncfs, follows, shared []bool
		for range drives {
			after = append(after, rapid.Bool().Draw(t, "after"))
			syncfs = append(syncfs, rapid.Bool().Draw(t, "syncfs"))
			follows = append(follows, rapid.Bool().Draw(t, "follows"))
			shared = append(shared, rapid.IntRange(0, 5).Draw(t, "shared disk") == 0)
		}
		return func(g *rig) {
			g.job.Copies, g.job.Verify, g.job.Portions.Buffers, g.job.Portions.FollowBytes = copies, level, buffers, behind
			for i := range g.job.Drives {
				d := &g.job.Drives[i]
				d.ReadBackAfter, d.Limits.SyncfsFlushes, d.Limits.ReadsWhileWritten = after[i], syncfs[i], follows[i]
				if shared[i] {
					d.Place.Disks = g.job.Drives[0].Place.Disks
				}
			}
		}
	})
}

func anyCourse(t within, g *rig, drives []temper) (failed string) {
	wake := make(chan struct{})
	for i, k := range drives {
		g.drives[i].hook = k.hook(wake)
	}
	c := g.watched()
	res := c.run.carryOut(context.Background())
	close(wake)
	time.Sleep(time.Hour) // whoever was stuck comes to his end, slow as he is
	synctest.Wait()
	c.judge(t, res)
	if res.CardErr != nil || len(res.Unreadable)+len(res.Changed) > 0 {
		return fmt.Sprintf("nothing is wrong with the card: %v, %v, %v", res.CardErr, res.Unreadable, res.Changed)
	}
	for i, k := range drives {
		good := k.faultAt == 0 && res.Copies[i].Phase == state.CopyProven
		if k.faultAt == 0 && !good && !strings.Contains(fmt.Sprint(res.Copies[i].Err), errNotAll.Error()) {
			return fmt.Sprintf("drive %d had no fault and is %s: %v", i, res.Copies[i].Phase, res.Copies[i].Err)
		}
		if k.faultAt == 0 && !good && len(res.Damaged) == 0 {
			return fmt.Sprintf("drive %d had no fault, no copy is damaged, and it is %s: %v", i, res.Copies[i].Phase, res.Copies[i].Err)
		}
	}
	return ""
}
