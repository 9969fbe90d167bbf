package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"bothy/daemon/state"
	"bothy/daemon/supply"
	"bothy/policy"
)

// power is what the supervisor knows of the box's supply. It belongs to its
// goroutine.
type power struct {
	reading supply.Reading
	level   state.PowerLevel
	by      policy.Power // that level was judged by
}

// errParked ends work for want of power. Nothing is lost by it: what was proven
// stays, and the work goes on there.
var errParked = errors.New("it was parked since the battery was nearly empty; it goes on where it was when the box is charged")

// powerMargin is by how many percent a battery must be above a level that it fell
// below before that is over: gauges waver, and work must not begin and park by turns.
const powerMargin = 3

// supplyDoubts is how often in a row the supply must not tell before what it last
// told is given up: a gauge on a slow bus misses a question now and then.
const supplyDoubts = 3

// low: nothing may be begun.
func (p *power) low() bool { return p.level != state.Powered }

// watchPower has the supply asked now and then. Work waits for the first answer, so
// that none is begun to be parked at once.
func (s *supervisor) watchPower(ctx context.Context) {
	s.looking++
	s.work.Go(func() {
		tick := time.NewTicker(s.cfg.SupplyEvery)
		defer tick.Stop()
		back := make(chan struct{}, 1)
		var heard supplyTold
		for first := true; ; first = false {
			r, err := patiently(ctx, s.cfg.Patience, func(context.Context) (supply.Reading, error) { return s.cfg.Supply(), nil },
				func(supply.Reading) { back <- struct{}{} })
			if ctx.Err() != nil {
				if first {
					s.post(func() { s.looking-- })
				}
				return
			}
			if err != nil {
				r = supply.Reading{HasBattery: true, Note: "the supply cannot be read: it does not answer"}
			}
			if heard.news(r) {
				s.post(func() { s.takePower(r, first) })
			}
			if err != nil {
				select { // no second question while the first is under way
				case <-back:
				case <-ctx.Done():
				}
			}
			select {
			case <-tick.C:
			case <-ctx.Done():
				return
			}
		}
	})
}

// supplyTold is what is believed of the supply.
type supplyTold struct {
	any    bool // it has told something, if only that it is not known
	last   supply.Reading
	doubts int // readings in a row that told nothing for sure
}

// news takes in a reading, and reports whether something else is to be believed from
// now on.
func (t *supplyTold) news(r supply.Reading) bool {
	if t.doubts++; !r.Doubtful {
		t.doubts = 0
	}
	if t.any && (r == t.last || t.doubts > 0 && t.doubts < supplyDoubts) {
		return false
	}
	t.any, t.last = true, r
	return true
}

func (s *supervisor) takePower(r supply.Reading, first bool) {
	if first {
		s.looking--
	}
	s.power.reading = r
	s.judgePower()
}

// judgePower draws the conclusions from how the box is supplied, by the policy in
// force.
func (s *supervisor) judgePower() {
	if s.policy == nil {
		return
	}
	p := &s.power
	was := p.level
	if p.by != s.policy.Power {
		was = state.Powered // other levels take effect at once
	}
	p.by, p.level = s.policy.Power, levelOf(p.reading, s.policy.Power, was)
	s.powerCondition(state.PowerLow, p.level == state.LowPower)
	s.powerCondition(state.PowerParked, p.level == state.Parked)
	if p.level == state.Parked {
		s.parkWork()
	}
}

func (s *supervisor) powerCondition(code state.Code, is bool) {
	if is {
		s.raise(code, "", fmt.Sprintf("it is at %d %%", s.power.reading.Percent))
	} else {
		s.clear(code, "")
	}
}

// levelOf says what a reading asks for. Where nothing is known of a battery it asks for
// nothing, and so it does while something feeds the box that has not been parked.
func levelOf(r supply.Reading, p policy.Power, was state.PowerLevel) state.PowerLevel {
	below := func(level int, already bool) bool {
		if already {
			level = goodAgain(level)
		}
		return r.Percent < level
	}
	switch {
	case !r.HasCharge:
		return state.Powered
	case was == state.Parked && below(p.Park, true):
		// Also while it is fed: what feeds it may do for a box at rest and not for one
		// at work, which would begin and park by turns and get nowhere.
		return state.Parked
	case r.External:
		return state.Powered
	case below(p.Park, false):
		return state.Parked
	case below(p.Begin, was != state.Powered):
		return state.LowPower
	}
	return state.Powered
}

// goodAgain is the percentage at which a level is over that the battery fell below.
func goodAgain(level int) int {
	if level == 0 {
		return 0 // it is off
	}
	return min(level+powerMargin, 100)
}

// parkWork ends what runs, as a stop does: it is flushed, the drives are let go, and
// it goes on when there is power again.
func (s *supervisor) parkWork() {
	for _, j := range s.running { // also those whose card is out
		j.parked = true
		j.cancel(errParked)
	}
	if e := s.errands.running; e != nil {
		e.cancel(errParked)
	}
}

// setAside takes in how a job ended that was parked. A release stands as it was; any
// other card has its turn again when there is power, and all its drives with it.
func (s *supervisor) setAside(c *card, out outcome) {
	byPark := errors.Is(out.cardErr, errParked)
	switch {
	case out.cardErr != nil && !byPark: // its card went first, or the box stops
		s.settle(c, out)
		return
	case out.verdict == state.Hold:
		s.raiseFindings(c, out)
		s.requeue(c)
	case byPark && c.verdict == state.Release:
		s.raiseFindings(c, out)
	default:
		s.settle(c, out)
	}
	for _, o := range s.offloads {
		if byPark && slices.Contains(out.offloadIDs, o.ID) {
			o.Verdict, o.Reason = out.verdict, out.reason
		}
	}
	c.tried = map[string]bool{}
}

// powerSentence says why nothing is begun.
func (s *supervisor) powerSentence() string {
	level, what := s.power.by.Begin, "nothing new is begun"
	if s.power.level == state.Parked {
		level, what = s.power.by.Park, "work is parked"
	}
	percent := s.power.reading.Percent
	if percent < level && !s.power.reading.External {
		return fmt.Sprintf("the battery is at %d %%, and %s below %d %%; charge the box", percent, what, level)
	}
	return fmt.Sprintf("the battery is at %d %%, and %s until it is at %d %%; charge the box", percent, what, goodAgain(level))
}

// reasonOf is a card's reason as it is shown: of one whose turn it would be, that
// power is wanting.
func (s *supervisor) reasonOf(c *card) string {
	if !s.power.low() || c.void || c.job != nil || c.verdict == state.Release {
		return c.reason
	}
	if c.phase == state.CardQueued {
		return s.powerSentence()
	}
	if _, fresh := s.drivesFor(c); fresh {
		return c.reason + "; " + s.powerSentence()
	}
	return c.reason
}

func (s *supervisor) powerShown() state.Power {
	r := s.power.reading
	return state.Power{HasBattery: r.HasBattery, HasCharge: r.HasCharge, Percent: r.Percent, HasExternal: r.HasExternal, External: r.External, Note: r.Note, Level: s.power.level}
}
