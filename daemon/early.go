package daemon

import (
	"context"
	"sync"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
)

// early keeps the account of copies that are finished while others still run.
type early struct {
	mu       sync.Mutex
	finished []string // guarded by mu; drive ids, of the running engine
	released string   // guarded by mu; the reason, once the card is released
	done     bool     // guarded by mu; the last engine reads no more from the card
}

// close ends the part of early while one engine runs. A drive that hung may
// wake up later and must not be listened to.
func (e *early) close(r *recorder) {
	e.mu.Lock()
	defer e.mu.Unlock()
	r.over, e.finished = true, nil
}

// releasedAlready says why the card is released while work goes on; empty when
// it is not.
func (j *job) releasedAlready() string {
	j.early.mu.Lock()
	defer j.early.mu.Unlock()
	return cmpOr(j.early.released, j.stands)
}

// releasedEarly is releasedAlready for what this very job has found.
func (j *job) releasedEarly() string {
	j.early.mu.Lock()
	defer j.early.mu.Unlock()
	return j.early.released
}

// cardFree reports whether the card is released and nothing more is read from
// it: what is left of the job needs it no more.
func (j *job) cardFree() bool {
	j.early.mu.Lock()
	defer j.early.mu.Unlock()
	return j.freeLocked()
}

// freeLocked: early.mu is held. The card's own manifests may want the card until
// the very end.
func (j *job) freeLocked() bool {
	return j.early.done && len(j.hashes) == 0 && (j.early.released != "" || j.stands != "")
}

// cardDone takes note that an engine reads no more from the card; last says
// that no other engine will. The caller is the engine, which goes on.
func (j *job) cardDone(r *recorder, last bool) {
	j.early.mu.Lock()
	defer j.early.mu.Unlock()
	if r.over || !last {
		return
	}
	j.early.done = true
	j.letGoIfFreeLocked()
}

// letGoIfFreeLocked lets a card go that is needed no more, so that the reader
// can take another while slower drives still get their copies.
func (j *job) letGoIfFreeLocked() {
	if j.freeLocked() {
		j.side.Go(j.letCardGo)
	}
}

// maybeRelease releases a card as soon as enough copies are finished, while
// slower drives still get theirs. A finished copy that is proven holds every
// file of its group, so the card has given all of them; what is found out only
// at the end (the card's own manifests) keeps the verdict for the end.
func (j *job) maybeRelease(ctx context.Context, r *recorder, driveID string) {
	j.early.mu.Lock()
	defer j.early.mu.Unlock()
	if r.over {
		return
	}
	j.early.finished = append(j.early.finished, driveID)
	if d := j.driveOf(driveID); d != nil {
		j.s.traffic.serve(j.lane, laneOf(d.dev, d.path, d.rule).disk)
	}
	if j.early.released != "" || j.stands != "" || len(j.faults) > 0 || len(j.hashes) > 0 || j.rule.Verify == policy.VerifySize {
		return
	}
	verdict, _, reason := offload.Judge(j.accountSoFarLocked(r))
	if verdict != state.Release || j.stillThere() != nil {
		return
	}
	if l := r.ledger(); l != nil {
		err := l.UpdateOffload(ctx, r.offload.ID, string(verdict), reason, ledger.OffloadOpen, moment(j.s.cfg.Now))
		if err != nil {
			return // the end of the job tries again, and says what is wrong
		}
	}
	j.early.released = reason
	j.letGoIfFreeLocked()
	j.s.post(func() { j.s.releaseEarly(j, reason) })
}

// accountSoFarLocked is the account while an engine runs: what stood proven
// before it, and its finished copies for the files that it copies.
func (j *job) accountSoFarLocked(r *recorder) offload.Account {
	before := bySet(j.tally, j.livePlaces)
	now := bySet(j.tally, func(stands []stand) []offload.Place {
		places := j.livePlaces(stands)
		for _, id := range j.early.finished {
			if d := j.driveOf(id); d != nil {
				places = withPlace(places, d.place())
			}
		}
		return places
	})
	copied := make([]bool, len(j.plan.Files))
	j.tally.each(r.group.plan, func(i int) { copied[i] = true })
	return j.accountWith(func(i int) []offload.Place {
		if copied[i] {
			return now(i)
		}
		return before(i)
	})
}
