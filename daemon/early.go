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
	finished []string  // guarded by mu; drive ids
	released string    // guarded by mu; the reason, once the card is released
	over     *recorder // guarded by mu; whose engine has ended
}

// close ends the part of early while one engine runs. A drive that hung may
// wake up later and must not be listened to.
func (e *early) close(r *recorder) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.over = r
}

// releasedAlready says why the card is released while work goes on; empty when
// it is not.
func (j *job) releasedAlready() string {
	j.early.mu.Lock()
	defer j.early.mu.Unlock()
	return cmpOr(j.early.released, j.stands)
}

// maybeRelease releases a card as soon as enough copies are finished, while
// slower drives still get theirs. A finished copy that is proven holds every
// file of its group, so the card has given all of them; what is found out only
// at the end (the card's own manifests) keeps the verdict for the end.
func (j *job) maybeRelease(ctx context.Context, r *recorder, driveID string) {
	j.early.mu.Lock()
	defer j.early.mu.Unlock()
	if j.early.over == r {
		return
	}
	j.early.finished = append(j.early.finished, driveID)
	if j.early.released != "" || len(j.faults) > 0 || len(j.hashes) > 0 || j.rule.Verify == policy.VerifySize {
		return
	}
	if len(r.group.plan.Files) != len(j.plan.Files) {
		return // other files stand elsewhere; the end tells
	}
	var places []offload.Place
	for _, id := range j.early.finished {
		if d := j.driveOf(id); d != nil {
			places = append(places, d.place())
		}
	}
	a := offload.Account{Copies: j.box.Copies, Places: map[string][]offload.Place{}}
	for _, e := range j.plan.Files {
		a.Files = append(a.Files, e.Path)
		a.Places[e.Path] = places
	}
	verdict, _, reason := offload.Judge(a)
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
	j.s.post(func() { j.s.releaseEarly(j, reason) })
}
