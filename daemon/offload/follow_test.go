package offload

import (
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// newFollowed makes a rig whose drives read back behind the writer: the card is
// the slowest, so that there is time for it.
func newFollowed(t tester, base string, tr tree) *rig {
	g := newRig(t, base, tr, 2).awaited(0)
	g.job.Portions.FollowBytes = testChunk
	g.card.takes(each("read", 3*brisk))
	for i := range g.job.Drives {
		g.job.Drives[i].Limits.ReadsWhileWritten = true
		g.drives[i].takes(each("write", brisk))
	}
	return g
}

func followedCard() tree {
	tr := manySmall(5)
	tr["A.MOV"], tr["B.MOV"] = file1(noise(60, 6*testChunk+77)), file1(noise(61, 3*testChunk))
	return tr
}

// TestRun_readsBackWhileWritten: when the last portion of a large file comes,
// the ones before it have been read back. That each was flushed before is in
// the account of every drive.
func TestRun_readsBackWhileWritten(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newFollowed(t, base, followedCard())
		var before atomic.Int32
		g.drives[0].takes(func(c call) time.Duration {
			if c.kind == "write" && strings.HasSuffix(c.name, "A.MOV") && c.ofName == 7 {
				before.Store(int32(g.drives[0].count("read medium")))
			}
			return 0
		})
		res, _ := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1)
		if before.Load() < 5 || g.drives[0].count("open growing") != 2 {
			t.Errorf("%d portions were read back, %d files while they grew", before.Load(), g.drives[0].count("open growing"))
		}
		if n := res.Copies[0].BytesReadBack; n != g.job.Plan.Bytes {
			t.Errorf("%d bytes were read back of %d", n, g.job.Plan.Bytes)
		}
	})
}

// TestRun_doesNotFollow: where reading behind the writer is not allowed, or
// would hurt, or shows nothing, no file is opened before it is whole.
func TestRun_doesNotFollow(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*rig){
		"the file system does not allow it": func(g *rig) { g.job.Drives[0].Limits.ReadsWhileWritten = false },
		"seeking would hurt":                func(g *rig) { g.job.Drives[0].ReadBackAfter = true },
		"nothing is read back":              func(g *rig) { g.job.Verify = VerifySize },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T, base string) {
				g := newFollowed(t, base, followedCard())
				change(g)
				res, _ := g.follow(t.Context(), t)
				if res.Copies[0].Err != nil || g.drives[0].count("open growing") != 0 {
					t.Errorf("%v; %d files were opened while they grew", res.Copies[0].Err, g.drives[0].count("open growing"))
				}
				if n := g.drives[0].named["sync "+work("A.MOV")]; n != 1 {
					t.Errorf("a file was flushed %d times", n)
				}
			})
		})
	}
}

// TestRun_faultWhileFollowing: whichever side finds a fault, the file is thrown
// away once, and written again under a new inode.
func TestRun_faultWhileFollowing(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, kind string
		nth        int // call of this kind on the file
		f          fault
		flush      int // failed flushes
		differs    int
		once       bool // the file is not written again
	}{
		{"a flush in mid-file", "sync", 3, fault{err: syscall.EIO}, 1, 0, false},
		{"the first flush", "sync", 1, fault{err: syscall.EIO}, 1, 0, false},
		{"the last flush", "sync", 7, fault{err: syscall.EIO}, 1, 0, false},
		{"a write in mid-file", "write", 4, fault{err: syscall.EIO}, 0, 0, false},
		{"half a write in mid-file", "write", 4, fault{err: io.ErrShortWrite, short: true}, 0, 0, false},
		{"the last write", "write", 7, fault{err: syscall.EIO}, 0, 0, false},
		{"a write that keeps other bytes", "write", 4, fault{change: flip}, 0, 1, false},
		{"pushing", "push", 4, fault{err: syscall.EIO}, 0, 0, false},
		{"closing", "close", 1, fault{err: syscall.EIO}, 0, 0, false},
		{"setting the time", "set time", 1, fault{err: syscall.EIO}, 0, 0, false},
		{"reading back", "read medium", 3, fault{err: syscall.EIO}, 0, 0, false},
		{"reading back at the end", "read medium", 7, fault{err: syscall.EIO}, 0, 0, false},
		{"other bytes are read back", "read medium", 3, fault{change: flip}, 0, 1, false},
		{"less is read back", "read medium", 3, fault{short: true}, 0, 0, true},
		{"it ends too early", "read medium", 3, fault{err: io.EOF, after: true}, 0, 0, true},
		{"nothing is read back", "read medium", 3, fault{err: io.EOF}, 0, 1, false},
		{"opening while it grows", "open growing", 1, fault{err: syscall.EINVAL}, 0, 0, true},
		{"its length at the end", "lstat", 1, fault{err: syscall.EIO}, 0, 0, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T, base string) {
				g := newFollowed(t, base, followedCard())
				name, hit := work("A.MOV"), 0
				slowly := g.drives[0].hook
				g.drives[0].hook = func(c call) *fault {
					slowly(c)
					if c.kind == tc.kind && c.name == name && c.ofName == tc.nth {
						hit++
						return &tc.f
					}
					return nil
				}
				res, c := g.follow(t.Context(), t)
				mustProve(t, res, 0, 1)
				if n := c.run.targets[0].faults; n > 1 || n == 1 == tc.once {
					t.Errorf("%d faults are counted", n)
				}
				made := len(g.drives[0].sinks[name])
				g.drives[0].mu.Lock()
				removed, aside := g.drives[0].named["remove "+name], g.drives[0].kinds["rename"]-1
				g.drives[0].mu.Unlock()
				if bad := tc.kind == "read medium" || tc.kind == "lstat" || tc.differs > 0; !tc.once && bad != (aside == 1) {
					t.Errorf("%d files are put aside", aside)
				}
				removed += aside
				if again := 2; hit != 1 || !tc.once && (made != again || removed != 1) || tc.once && (made != 1 || removed != 0) {
					t.Errorf("%d faults; made %d times, removed %d times", hit, made, removed)
				}
				if res.FlushFailures != tc.flush || res.Mismatches != tc.differs || res.CardErr != nil {
					t.Errorf("%d failed flushes, %d mismatches, %v", res.FlushFailures, res.Mismatches, res.CardErr)
				}
			})
		})
	}
}

// TestRun_growingRefused: files are read back when they are whole.
func TestRun_growingRefused(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newFollowed(t, base, followedCard())
		slowly := g.drives[0].hook
		g.drives[0].hook = func(c call) *fault {
			slowly(c)
			if c.kind == "open growing" {
				return &fault{err: errors.ErrUnsupported}
			}
			return nil
		}
		res, _ := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1)
		if len(g.drives[0].sinks) != len(g.job.Plan.Files) || g.drives[0].count("open growing") != 2 {
			t.Errorf("%d files made, %d tries", len(g.drives[0].sinks), g.drives[0].count("open growing"))
		}
	})
}

// TestRun_cardFailsWhileFollowing: the rest of a file does not come, and what
// was read back of it counts for nothing.
func TestRun_cardFailsWhileFollowing(t *testing.T) {
	t.Parallel()
	why := errors.New("the service stops")
	for _, tc := range []struct {
		name string
		do   func(g *rig, s *slot, stop context.CancelCauseFunc) *fault
		want string
		card error
	}{
		{"it cannot be read", func(*rig, *slot, context.CancelCauseFunc) *fault { return &fault{err: syscall.EIO} }, "incomplete incomplete", nil},
		{"it is gone", func(_ *rig, s *slot, _ context.CancelCauseFunc) *fault {
			s.set(ErrCardGone, ErrCardGone)
			return &fault{err: syscall.EIO}
		}, "unfinished unfinished", ErrCardGone},
		{"a stop", func(_ *rig, _ *slot, stop context.CancelCauseFunc) *fault { stop(why); return nil }, "unfinished unfinished", why},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T, base string) {
				g, s := newFollowed(t, base, followedCard()), &slot{}
				g.job.Card.Medium = s
				ctx, stop := context.WithCancelCause(t.Context())
				defer stop(nil)
				slowly := g.card.hook
				var readBack atomic.Int32
				g.card.hook = func(c call) *fault {
					slowly(c)
					if c.kind == "read" && c.name == "A.MOV" && c.ofName >= 5 {
						readBack.Store(int32(g.drives[0].count("read medium")))
						return tc.do(g, s, stop)
					}
					return nil
				}
				res, c := g.follow(ctx, t)
				for i, target := range c.run.targets {
					if target.faults != 0 {
						t.Errorf("drive %d: %d faults are counted", i, target.faults)
					}
				}
				if phases(res) != tc.want || !errors.Is(res.CardErr, tc.card) || readBack.Load() == 0 {
					t.Errorf("%s, %v after %d portions", phases(res), res.CardErr, readBack.Load())
				}
				for i, c := range res.Copies {
					if _, err := os.Lstat(g.on(i, c.Folder+"/A.MOV")); err == nil {
						t.Errorf("drive %d: a part of the file is left", i)
					}
					if n := g.drives[i].named["remove "+work("A.MOV")]; n != 1 || res.Mismatches+res.FlushFailures != 0 {
						t.Errorf("drive %d: removed %d times; %d mismatches", i, n, res.Mismatches)
					}
				}
			})
		})
	}
}

// TestRun_readsNoFurtherThanFlushed: the drive gives half a portion, late enough
// for the writer to be beyond what it has flushed.
func TestRun_readsNoFurtherThanFlushed(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newFollowed(t, base, followedCard())
		g.job.Portions.FollowBytes = 2 * testChunk
		slowly := g.drives[0].hook
		g.drives[0].hook = func(c call) *fault {
			slowly(c)
			if c.kind == "read medium" && c.name == work("A.MOV") && c.ofName == 1 {
				time.Sleep(5 * brisk) // the third portion is written, and not flushed
				return &fault{short: true}
			}
			return nil
		}
		res, _ := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1)
	})
}

// TestRun_badFileIsNotLeft: what did not agree when it was read back does not
// stay, even when it is not written again.
func TestRun_badFileIsNotLeft(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	g.drives[0].hook = func(c call) *fault {
		if c.kind == "write" && strings.HasSuffix(c.name, "C.JPG") {
			return &fault{change: flip}
		}
		return nil
	}
	res := Run(t.Context(), g.job)
	mustProve(t, res, 1)
	if _, err := os.Lstat(g.on(0, work("DCIM/C.JPG"))); !os.IsNotExist(err) || res.Mismatches != 3 {
		t.Errorf("it is left: %v; %d mismatches", err, res.Mismatches)
	}
}

// TestRun_letGoWhileFollowed: a drive is let go in the middle of a file that is
// being read back, which is no fault, and gets it from a copy.
func TestRun_letGoWhileFollowed(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		g.job.Portions.FollowBytes = testChunk
		g.card.takes(each("read", brisk)) // time for reading the first portion back
		for i := range g.job.Drives {
			g.job.Drives[i].Limits.ReadsWhileWritten = true
		}
		res, _ := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
		if n := len(g.drives[2].sinks[work("A.MOV")]); n != 2 || g.fromCopies() == 0 || g.drives[2].count("open growing") < 1 {
			t.Errorf("made %d times, %d files from copies, %d opened while they grew", n, g.fromCopies(), g.drives[2].count("open growing"))
		}
	})
}

// TestLanding_thrownAwayOnce: the writer ends a file just when reading it back
// fails; in either order one of them throws it away.
func TestLanding_thrownAwayOnce(t *testing.T) {
	t.Parallel()
	for _, writerFirst := range []bool{false, true} {
		l := newLanding(&reading{file: &file{Entry: &Entry{SizeBytes: 7}}})
		var writer, prover bool
		if writerFirst {
			writer = l.isWhole()
		}
		prover = l.spoil()
		if !writerFirst {
			writer = l.isWhole()
		}
		if writer == prover {
			t.Errorf("the writer first: %v; the writer throws it away: %v, the prover: %v", writerFirst, writer, prover)
		}
	}
}
