package pace

import (
	"math"
	"slices"
	"time"

	"bothy/daemon/state"
)

// Estimator follows one offload through one run. It is used by one goroutine at
// a time.
type Estimator struct {
	plan   Plan
	total  int64 // bytes of the plan
	toRead int64 // bytes of the card that somebody lacks
	card   meter // while drives take what it gives
	second meter // while it is read again, for its checksums alone
	copies []*copying

	seen  bool
	last  Look
	read  int64 // of the card; never falls
	reads bool  // the last look saw the card being read
	done  float64
}

// New begins an estimate. The plan's slices are not kept.
func New(p Plan) *Estimator {
	e := &Estimator{plan: p}
	if e.plan.Needed < 1 || e.plan.Needed > len(p.Copies) {
		e.plan.Needed = len(p.Copies)
	}
	for range p.Copies {
		e.copies = append(e.copies, &copying{estimator: e})
	}
	samples := 0.0
	for i, size := range p.Files {
		size = max(size, 0)
		e.total += size
		samples += 2 + float64(size/sampleStride)
		lacking := false
		for k, c := range p.Copies {
			if c.Held != nil && c.Held(i) {
				e.copies[k].held += size
			} else {
				lacking = true
			}
		}
		if lacking {
			e.toRead += size
		}
	}
	at := int64(0)
	for i, size := range p.Files {
		size = max(size, 0)
		lacks := func(c Copy) bool { return c.Held == nil || !c.Held(i) }
		begins := at
		if slices.ContainsFunc(p.Copies, lacks) {
			at += size
		}
		for k, c := range p.Copies {
			if !lacks(c) {
				continue
			}
			portion := size
			if c.FollowBytes > 0 && !c.ReadBackAfter {
				portion = min(size, max(c.FollowBytes, e.total/mostGroups))
			}
			for done := int64(0); done < size || done == 0; {
				n := min(size-done, portion)
				e.copies[k].append(begins+done+n, n, max(leastGroup, e.total/mostGroups))
				if done += n; n == 0 {
					break
				}
			}
		}
	}
	for k, c := range p.Copies {
		e.copies[k].begin(c, samples, p.NoProof)
	}
	e.plan.Files, e.plan.Copies = nil, nil
	return e
}

// Look takes in a look and answers it.
func (e *Estimator) Look(l Look) Estimate {
	e.observe(l)
	out := Estimate{Copies: make([]CopyEstimate, len(e.copies))}
	reading := e.read > 0 && (e.read < e.toRead || e.plan.Twice && e.read > e.toRead && e.secondLeft() > 0)
	if reading {
		out.BytesPerSecond = int64(min(cmpOr(e.second.rate(), e.card.rate()), math.MaxInt64/2))
	}
	lefts := e.foretell()
	for i, c := range e.copies {
		out.Copies[i] = CopyEstimate{Done: c.done, Left: lefts[i].round()}
	}
	out.Left = e.needed(lefts).round()
	out.Done = e.progress()
	return out
}

// Rates are the speeds as measured, for a later Plan.
func (e *Estimator) Rates() (card float64, drives []Rates) {
	for _, c := range e.copies {
		drives = append(drives, Rates{Write: cmpOr(c.write.rate(), c.known.Write), ReadBack: cmpOr(c.back.rate(), c.known.ReadBack)})
	}
	return cmpOr(e.second.rate(), max(e.card.rate(), e.plan.CardRate)), drives
}

// observe takes over what the look says.
func (e *Estimator) observe(l Look) {
	dt := 0.0
	if e.seen {
		dt = max(l.At-e.last.At, 0).Seconds()
	}
	n := max(l.BytesRead-e.read, 0)
	before := e.read
	e.read += n
	for i, c := range e.copies {
		if i < len(l.Copies) {
			c.observe(l.Copies[i], l.At, dt)
		}
	}
	switch {
	case e.plan.Twice && before > e.toRead:
		if e.secondLeft() > 0 {
			e.second.add(dt, n)
		}
	case n > 0 && e.reads, before > 0 && e.read < e.toRead && slices.ContainsFunc(e.copies, (*copying).follows):
		e.card.add(dt, n)
	}
	e.reads = n > 0
	e.last, e.seen = l, true
}

// secondLeft is how many bytes of the second reading are still to come.
func (e *Estimator) secondLeft() int64 {
	if !e.plan.Twice {
		return 0
	}
	return min(max(e.toRead+e.total-e.read, 0), e.total)
}

// cardRate is in bytes per second; 0 when nothing is known.
func (e *Estimator) cardRate() float64 {
	if r := e.card.or(e.plan.CardRate); r > 0 {
		return min(r, e.taking())
	}
	// Before the first byte, while drives prove what an earlier run left.
	slowest := 0.0
	for _, c := range e.copies {
		if r := c.back.rate(); r > 0 && (slowest == 0 || r < slowest) {
			slowest = r
		}
	}
	return slowest
}

// secondRate is that of the second reading, in bytes per second.
func (e *Estimator) secondRate() float64 {
	return e.second.or(max(e.plan.CardRate, e.cardRate()))
}

// taking is how fast the needed drives can take what the card gives, as far as
// that is known.
func (e *Estimator) taking() float64 {
	var rates []float64
	missing := e.plan.Needed
	for _, c := range e.copies {
		if c.complete() {
			missing--
		} else if rate := c.write.or(c.known.Write); !c.apart && c.moves() && rate > 0 {
			rates = append(rates, rate)
		}
	}
	if missing <= 0 || len(rates) < missing {
		return math.Inf(1)
	}
	slices.Sort(rates)
	return rates[len(rates)-missing]
}

// progress is the part done of the needed copies: that of the last of the best.
func (e *Estimator) progress() float64 {
	var parts []float64
	ended := 0
	for _, c := range e.copies {
		if c.complete() {
			ended++
		}
		if !c.lost() {
			parts = append(parts, c.done)
		}
	}
	slices.Sort(parts)
	part := 0.0
	if n := len(parts) - e.plan.Needed; n >= 0 && len(parts) > 0 {
		part = parts[n]
	} else if len(parts) > 0 {
		part = parts[0]
	}
	if ended >= e.plan.Needed && ended > 0 {
		part = 1
	} else {
		part = min(part, almost)
	}
	e.done = max(e.done, part)
	return e.done
}

// seconds is a time left; known says that there is one.
type seconds struct {
	copy, proof float64
	known       bool
}

func (s seconds) total() float64 { return s.copy + s.proof }

// foretell answers for every copy. Drives that were let go begin when the
// needed copies of the others are there.
func (e *Estimator) foretell() []seconds {
	lefts := make([]seconds, len(e.copies))
	start := 0.0
	for _, c := range e.copies {
		start = max(start, c.heldLeft())
	}
	for i, c := range e.copies {
		if c.moves() && c.phase != state.CopyBehind {
			lefts[i] = c.foretell(start)
		}
	}
	proven := e.needed(lefts)
	for i, c := range e.copies {
		if c.moves() && c.phase != state.CopyBehind {
			lefts[i] = c.close(lefts[i], proven.total())
		}
	}
	first := e.needed(lefts)
	for i, c := range e.copies {
		if c.phase == state.CopyBehind {
			lefts[i] = c.close(c.foretell(first.total()), 0)
		}
	}
	return lefts
}

// needed is the time left of the last of the best copies.
func (e *Estimator) needed(lefts []seconds) seconds {
	missing := e.plan.Needed
	var list []seconds
	for i, c := range e.copies {
		switch {
		case c.complete():
			missing--
		case c.moves() && lefts[i].known:
			list = append(list, lefts[i])
		}
	}
	if missing <= 0 || len(list) == 0 {
		return seconds{}
	}
	slices.SortFunc(list, func(a, b seconds) int { return compare(a.total(), b.total()) })
	return list[min(missing, len(list))-1]
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// tooLong: nobody believes a longer time left.
const tooLong = 1000 * time.Hour

func (s seconds) round() Left {
	if !s.known || !(s.total() < tooLong.Seconds()) {
		return Left{}
	}
	copySeconds := math.Round(max(s.copy, 0))
	total := max(math.Round(max(s.total(), 0)), copySeconds, 1)
	return Left{
		Total: time.Duration(total) * time.Second, Copy: time.Duration(copySeconds) * time.Second,
		Proof: time.Duration(total-copySeconds) * time.Second,
	}
}

func cmpOr(a, b float64) float64 {
	if a > 0 {
		return a
	}
	return b
}
