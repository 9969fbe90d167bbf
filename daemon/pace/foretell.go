package pace

import "bothy/daemon/state"

// writeRate is in bytes per second; 0 when nothing is known.
func (c *copying) writeRate() float64 {
	if c.apart {
		return c.write.or(c.known.Write) // the card's speed says nothing of it
	}
	return cmpOr(c.write.or(c.known.Write), c.estimator.cardRate())
}

// backRate supposes, until it is known, that a drive reads as fast as it writes.
func (c *copying) backRate() float64 {
	return c.back.or(cmpOr(c.known.ReadBack, c.writeRate()))
}

// heldLeft is how many seconds go by until what is held is proven again.
func (c *copying) heldLeft() float64 {
	rate := c.backRate()
	if c.started || !c.moves() || rate <= 0 {
		return 0
	}
	return float64(max(c.held-c.at.BytesReadBack, 0)) / rate
}

// close adds to a time left what comes after the proof: the second reading of
// the card, which begins in second seconds at the earliest, and the last steps.
func (c *copying) close(left seconds, second float64) seconds {
	e := c.estimator
	if c.phase == state.CopyFinishing {
		return seconds{0, max(c.closing-(c.now-c.closed).Seconds(), 1), true}
	}
	if !left.known {
		return seconds{}
	}
	if e.plan.NoProof {
		left.copy += c.closing
		return left
	}
	if bytes := e.secondLeft(); bytes > 0 && !c.apart {
		left.proof += max(second-left.total(), 0) + float64(bytes)/e.secondRate()
	}
	left.proof += c.closing
	return left
}

// foretell says how long copying and proving still take when the copying goes
// on in start seconds.
func (c *copying) foretell(start float64) seconds {
	if c.phase == state.CopyFinishing {
		return seconds{known: true}
	}
	e := c.estimator
	card, write, back := e.cardRate(), c.writeRate(), c.backRate()
	if card <= 0 || write <= 0 || back <= 0 {
		return seconds{}
	}
	written, proven := c.stands(), c.proofDone()
	// Neither before the card has given it, nor faster than the drive writes.
	writeEnds := func(g group) float64 {
		ends := float64(max(c.held+g.end-written, 0)) / write
		if !c.apart {
			ends = max(ends, float64(g.cardEnd-e.read)/card)
		}
		return start + ends
	}
	left := seconds{known: true}
	if n := len(c.groups); n > 0 && written < e.total {
		left.copy = writeEnds(c.groups[n-1])
	}
	if c.apart || c.cardIsPast() {
		left.copy = start + float64(e.total-written)/write // with what is written again
	}
	if e.plan.NoProof {
		return left
	}
	proofEnds := 0.0
	if c.after {
		proofEnds = left.copy
	}
	// Groups are read back one after the other, none before it is written.
	for i, g := range c.groups {
		rest := min(c.held+g.end-proven, g.end-c.before(i))
		if rest > 0 {
			proofEnds = max(proofEnds, writeEnds(g)) + float64(rest)/back
		}
	}
	if again := e.total - max(proven, c.held+c.before(len(c.groups))); again > 0 {
		proofEnds = max(proofEnds, left.copy) + float64(again)/back
	}
	left.proof = max(proofEnds-left.copy, 0)
	if !c.started { // what comes first is proving too
		first := min(start, left.copy)
		left.copy, left.proof = left.copy-first, left.proof+first
	}
	return left
}
