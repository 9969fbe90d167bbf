package pace

import (
	"time"

	"bothy/daemon/state"
)

// almost is as far as anything gets before its last step.
const almost = 0.99

// Files are put together into groups, so that a card of a million files is
// foretold as fast as one of ten.
const (
	leastGroup = 8 << 20 // bytes
	mostGroups = 1024
)

// What the last steps take is not seen from outside, so it is supposed: nearly
// all of it is the second look, one small read per file and per sampleStride.
// The figures are from memory: half a turn of a disk and a short seek, and the
// way to a solid-state drive behind USB.
const (
	sampleStride   = 8 << 20 // bytes
	turningSample  = 0.008   // seconds
	solidSample    = 0.0001  // seconds; several are under way at a time
	closingAtLeast = 0.5     // seconds
)

// group is a run of files that one drive lacks.
type group struct {
	cardEnd int64 // bytes of the card that are read when its last file is
	end     int64 // bytes of this and all earlier groups
}

// copying follows one copy.
type copying struct {
	estimator *Estimator
	after     bool // proof begins after the last write
	known     Rates
	held      int64 // bytes that an earlier run proved
	groups    []group
	closing   float64 // seconds that the last steps are supposed to take

	at      CopyLook // as last seen
	phase   state.CopyPhase
	started bool          // something was copied in this run
	apart   bool          // it was let go once: the card's place says nothing about it
	wasted  int64         // bytes written, but thrown away
	astray  int64         // bytes read back that prove nothing (below zero: proven without)
	closed  time.Duration // the moment at which the last steps began
	now     time.Duration // the moment of the last look
	write   meter
	back    meter
	writes  bool // the last look saw it write
	reads   bool // it has read back
	done    float64
}

// append adds a file to the groups.
func (c *copying) append(cardEnd, size, least int64) {
	n := len(c.groups)
	if n == 0 || c.groups[n-1].end-c.before(n-1) >= least {
		c.groups = append(c.groups, group{cardEnd, c.before(n) + size})
		return
	}
	c.groups[n-1] = group{cardEnd, c.groups[n-1].end + size}
}

// before is how many bytes precede group i.
func (c *copying) before(i int) int64 {
	if i == 0 {
		return 0
	}
	return c.groups[i-1].end
}

func (c *copying) begin(p Copy, samples float64, noProof bool) {
	c.after, c.known = p.ReadBackAfter, p.Rates
	switch {
	case noProof:
		c.closing = closingAtLeast
	case p.ReadBackAfter:
		c.closing = closingAtLeast + samples*turningSample
	default:
		c.closing = closingAtLeast + samples*solidSample
	}
}

// observe takes in a look, dt seconds after the one before.
func (c *copying) observe(l CopyLook, at time.Duration, dt float64) {
	l.BytesWritten = max(l.BytesWritten, c.at.BytesWritten)
	l.BytesReadBack = max(l.BytesReadBack, c.at.BytesReadBack)
	l.BytesProven = min(max(l.BytesProven, 0), c.estimator.total)
	written, back := c.stands(), c.proofDone()
	c.account(l)
	if l.Phase == state.CopyBehind {
		c.apart, c.writes, c.reads = true, false, false
	}
	c.measure(l, dt, written, back)
	if l.Phase == state.CopyFinishing && c.phase != l.Phase {
		c.closed = at
	}
	c.at, c.phase, c.now = l, l.Phase, at
	c.done = max(c.done, c.part())
}

// account finds out what of the counters stands.
func (c *copying) account(l CopyLook) {
	if !c.started && (l.BytesWritten > 0 || c.estimator.read > 0) {
		// What was held counts from here on as far as it proved itself again.
		c.started = true
		c.held = min(c.held, l.BytesProven)
		c.astray = c.at.BytesReadBack - c.held
		if c.phase == "" {
			c.astray = min(l.BytesReadBack, c.held) - c.held
		}
	}
	if fallen := c.at.BytesProven - l.BytesProven; c.started && fallen > 0 {
		c.wasted += fallen
		c.astray += fallen
	}
	if c.phase == state.CopyProving && l.Phase == state.CopyCopying {
		// A new pass: what is not proven is not there.
		c.wasted = c.held + c.at.BytesWritten - l.BytesProven
		c.astray = c.at.BytesReadBack - l.BytesProven
		c.write.soften()
	}
	c.wasted = max(c.wasted, c.held+l.BytesWritten-c.estimator.total, 0)
}

// measure adds to the speeds the time in which there was something to do. The
// look in which it begins is left out: a part of that was idle.
func (c *copying) measure(l CopyLook, dt float64, written, back int64) {
	wrote, readBack := l.BytesWritten-c.at.BytesWritten, l.BytesReadBack-c.at.BytesReadBack
	working := works(l.Phase) && works(c.phase)
	total := c.estimator.total
	waits := c.apart || c.cardIsPast()
	if wrote > 0 && c.writes || working && waits && written < total {
		c.write.add(dt, wrote)
	}
	due := c.started && (written >= total || !c.after && c.givenToProof(written) > back)
	if !c.started {
		due = c.held > 0 && l.BytesReadBack < c.held
	}
	if readBack > 0 && c.reads || working && due && back < total {
		c.back.add(dt, readBack)
	}
	c.writes, c.reads = c.writes || wrote > 0, c.reads || readBack > 0
	c.at.BytesWritten, c.at.BytesReadBack, c.at.BytesProven = l.BytesWritten, l.BytesReadBack, l.BytesProven
	if written < total && c.stands() >= total {
		c.back.soften() // the drive has nothing else to do any more
	}
}

// cardIsPast: the card has given everything that this drive lacks.
func (c *copying) cardIsPast() bool {
	n := len(c.groups)
	return n == 0 || c.estimator.read >= c.groups[n-1].cardEnd
}

// givenToProof is how many bytes stand in whole groups.
func (c *copying) givenToProof(written int64) int64 {
	given := int64(0)
	for _, g := range c.groups {
		if c.held+g.end > written {
			break
		}
		given = c.held + g.end
	}
	return given
}

// stands is how many bytes of the copy are written and not thrown away.
func (c *copying) stands() int64 {
	return min(max(c.held+c.at.BytesWritten-c.wasted, 0), c.estimator.total)
}

// proofDone is how many bytes are proven or on the way to it.
func (c *copying) proofDone() int64 {
	if !c.started {
		return c.held
	}
	return min(max(c.at.BytesProven, c.at.BytesReadBack-c.astray), c.stands())
}

// part is what is done of this copy, by bytes.
func (c *copying) part() float64 {
	e := c.estimator
	if c.complete() {
		return 1
	}
	if e.total == 0 {
		return 0
	}
	done, all := float64(c.stands()), float64(e.total)
	if !e.plan.NoProof {
		done, all = done+float64(c.proofDone()), all+float64(e.total)
	}
	if e.plan.Twice {
		done, all = done+float64(e.total-e.secondLeft()), all+float64(e.total)
	}
	return min(max(done/all, 0), almost)
}

// complete: the copy is as good as its offload asks.
func (c *copying) complete() bool {
	return c.phase == state.CopyProven || c.estimator.plan.NoProof && c.phase == state.CopyUnproven
}

// lost: nothing will come of it in this run.
func (c *copying) lost() bool {
	return !c.complete() && (c.phase.Final() || c.phase == state.CopyUnfinished)
}

// moves: it is on its way.
func (c *copying) moves() bool { return !c.complete() && !c.lost() }

// follows: it takes what the card gives.
func (c *copying) follows() bool {
	return !c.apart && works(c.phase)
}

func works(p state.CopyPhase) bool { return p == state.CopyCopying || p == state.CopyProving }
