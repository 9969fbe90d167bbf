package offload

import (
	"os"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"bothy/daemon/state"
)

// TestRun_unsureWhenLate: the card did not give a file a second time, which
// makes each copy incomplete, and no less that of a drive that had the file
// before it was let go.
func TestRun_unsureWhenLate(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newRig(t, base, lateCard(), 3).awaited(2)
		g.job.Portions.Buffers = 2
		g.drives[2].takes(func(c call) time.Duration {
			if c.kind == "write" && strings.HasSuffix(c.name, "B.MOV") && c.ofName == 1 {
				return time.Minute
			}
			return 0
		})
		g.job.Verify = VerifyReadBackTwice
		g.card.hook = func(c call) *fault {
			if c.kind == "read" && strings.HasSuffix(c.name, "A.MOV") && c.ofName > 4 {
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		res, _ := g.follow(t.Context(), t)
		if phases(res) != "incomplete incomplete incomplete" || g.fromCopies() == 0 {
			t.Errorf("%s; %d files from copies", phases(res), g.fromCopies())
		}
		for _, c := range res.Copies {
			if c.Folder != testFolder+IncompleteSuffix {
				t.Errorf("%s in %q", c.DriveID, c.Folder)
			}
		}
	})
}

// TestRun_twiceWhenLate: with the card read twice a late drive takes the same way.
func TestRun_twiceWhenLate(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		g.job.Verify = VerifyReadBackTwice
		res, c := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
		if res.BytesRead != 2*g.job.Plan.Bytes || g.fromCopies() == 0 || !c.isDone() {
			t.Errorf("%d bytes read of %d; %d files from copies; done %v", res.BytesRead, g.job.Plan.Bytes, g.fromCopies(), c.isDone())
		}
	})
}

// TestRun_letGoInTheSecondReading: all was handed out, and the slow drive holds
// every buffer that a second reading needs.
func TestRun_letGoInTheSecondReading(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newRig(t, base, tree{"A.MOV": file1(noise(70, 3*testChunk))}, 3).awaited(2)
		g.job.Verify, g.job.Portions.Buffers = VerifyReadBackTwice, 3
		g.drives[2].takes(each("write", time.Minute))
		res, c := g.follow(t.Context(), t)
		mustProve(t, res, 0, 1, 2)
		if both := c.last(t, 0, 1); both >= time.Minute || res.BytesRead != 2*g.job.Plan.Bytes || g.fromCopies() != 1 {
			t.Errorf("the two took %v; %d bytes read of %d; %d files from copies", both, res.BytesRead, g.job.Plan.Bytes, g.fromCopies())
		}
	})
}

// TestRun_sizeOnlyWhenLate: nothing is proven at this level, so nothing can be
// passed on, and the card is not done before it has served all.
func TestRun_sizeOnlyWhenLate(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		g.job.Verify = VerifySize
		res, c := g.follow(t.Context(), t)
		if phases(res) != "unproven unproven unproven" || c.isDone() || g.fromCopies() != 0 {
			t.Errorf("%s, done %v, %d files from copies: %v", phases(res), c.isDone(), g.fromCopies(), res.Copies[2].Err)
		}
	})
}

// TestRun_readsTwiceWhileProving: the second reading of the card does not wait
// for drives that are slow to read back.
func TestRun_readsTwiceWhileProving(t *testing.T) {
	t.Parallel()
	for _, differs := range []bool{false, true} {
		inBubble(t, func(t *testing.T, base string) {
			g := newRig(t, base, followedCard(), 2).awaited(2)
			g.job.Verify = VerifyReadBackTwice
			var proofs, before atomic.Int32
			g.rec.hear(func(e string) {
				if strings.HasPrefix(e, "proven id-0") {
					proofs.Add(1)
				}
			})
			g.card.hook = func(c call) *fault {
				before.Store(proofs.Load())
				if differs && c.kind == "read" && c.name == "B.MOV" && c.ofName == 4 {
					return &fault{change: flip}
				}
				return nil
			}
			g.drives[0].takes(each("read medium", time.Minute))
			res, _ := g.follow(t.Context(), t)
			if !differs {
				mustProve(t, res, 0, 1)
			} else if phases(res) != "incomplete incomplete" || len(res.Changed) != 1 {
				t.Errorf("%s, changed %v", phases(res), res.Changed)
			}
			for i, c := range res.Copies {
				if _, err := os.Lstat(g.on(i, c.Folder+"/B.MOV")); (err != nil) != differs {
					t.Errorf("drive %d holds a file of which nobody knows the bytes: %v", i, err == nil)
				}
				if c.Phase == state.CopyProven && differs {
					t.Errorf("drive %d is proven", i)
				}
			}
			if res.BytesRead != 2*g.job.Plan.Bytes || int(before.Load()) >= len(g.job.Plan.Files)/2 {
				t.Errorf("%d bytes read of %d; %d files were proven by then", res.BytesRead, g.job.Plan.Bytes, before.Load())
			}
		})
	}
}
