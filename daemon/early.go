package daemon

import (
	"context"
	"slices"
	"sync"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
)

// early keeps the account of copies that are finished while others still run.
type early struct {
	// deciding holds something while one sees whether the card is released,
	// which asks the card and the ledger: that may take long, and a clock that
	// is simulated goes on for those who wait at a channel only.
	deciding chan struct{}
	// mu is held for no longer than it takes to look: the supervisor takes it,
	// and must wait for no device, and not for those who wait for it.
	mu       sync.Mutex
	finished []string // guarded by mu; drive ids, of the running engine
	released string   // guarded by mu; the reason, once the card is released
	basis    basis    // guarded by mu; what the newest release rests on, of this job or before it
	done     bool     // guarded by mu; the last engine reads no more from the card
	letGo    bool     // guarded by mu; the card was, after it had confirmed what it is
}

// close ends the part of early while one engine runs, after what is just being
// decided: the job's end has the last word. A drive that hung may wake up later
// and must not be listened to.
func (e *early) close(r *recorder) {
	e.deciding <- struct{}{}
	defer func() { <-e.deciding }()
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

// releasedBefore reports whether the card was released when the job began.
func (j *job) releasedBefore() bool {
	j.early.mu.Lock()
	defer j.early.mu.Unlock()
	return j.stands != ""
}

// releaseBasis is what a release that was given rests on.
func (j *job) releaseBasis() basis {
	j.early.mu.Lock()
	defer j.early.mu.Unlock()
	return j.early.basis
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
	return j.early.letGo || j.early.done && len(j.hashes) == 0 && (j.early.released != "" || j.stands != "")
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
		j.early.letGo = true
		j.side.Go(j.letCardGo)
	}
}

// maybeRelease releases a card as soon as enough copies are finished, while
// slower drives still get theirs. A finished copy that is proven holds every
// file of its group, so the card has given all of them; what is found out only
// at the end (the card's own manifests) keeps the verdict for the end.
func (j *job) maybeRelease(ctx context.Context, r *recorder, driveID string) {
	j.early.deciding <- struct{}{}
	defer func() { <-j.early.deciding }()
	finished, ok := j.early.add(r, driveID)
	if !ok {
		return
	}
	if d := j.driveOf(driveID); d != nil {
		j.s.traffic.serve(j.lane, laneOf(d.dev, d.path, d.rule).disk)
	}
	if j.releasedAlready() != "" || len(j.faults) > 0 || len(j.hashes) > 0 || j.rule.Verify == policy.VerifySize {
		return
	}
	if j.wantsMore(finished) {
		return
	}
	account := j.accountSoFar(r, finished)
	verdict, _, reason := offload.Judge(account)
	if verdict != state.Release || j.stillThere() != nil {
		return
	}
	if l := r.ledger(); l != nil {
		err := l.UpdateOffload(ctx, r.offload.ID, string(verdict), reason, ledger.OffloadOpen, moment(j.s.cfg.Now))
		if err != nil {
			return // the end of the job tries again, and says what is wrong
		}
	}
	j.early.mu.Lock()
	j.early.released, j.early.basis = reason, basisOf(account)
	j.letGoIfFreeLocked()
	j.early.mu.Unlock()
	b := j.releaseBasis()
	j.s.post(func() { j.s.releaseEarly(j, reason, b) })
}

// copyRots takes a release back that rests on a finished copy which does not give a
// slower drive what it held: until the job has ended nobody may be told to take the
// card out. What failed here loseDamaged says.
func (j *job) copyRots(ctx context.Context, r *recorder, driveID, name string) {
	if l := r.ledger(); l != nil {
		if err := l.RecordUnproven(context.WithoutCancel(ctx), r.offload.ID, driveID, []string{name}); err != nil {
			j.s.cfg.Log.Warn(proofStays, "offload", r.offload.ID, "path", name, "err", err)
		}
	}
	j.early.deciding <- struct{}{}
	defer func() { <-j.early.deciding }()
	j.early.mu.Lock()
	j.early.finished = slices.DeleteFunc(j.early.finished, func(id string) bool { return id == driveID })
	rests := (j.early.released != "" || j.stands != "") && j.early.basis.on(driveID)
	if rests {
		j.stands, j.early.released = "", ""
	}
	j.early.mu.Unlock()
	if rests {
		j.s.post(func() {
			j.s.takeBack(j, "a copy turned out damaged; leave it in until the other drives have theirs", nil)
		})
	}
}

// wantsMore reports whether a drive is to have the card whose room nobody has
// looked at yet, or that is without: the end of the job knows.
func (j *job) wantsMore(finished []string) bool {
	return slices.ContainsFunc(j.drives, func(d *jobDrive) bool {
		return d.rule.WhenFull == policy.FullHold && !slices.Contains(finished, d.identity.ID)
	})
}

func newEarly() early { return early{deciding: make(chan struct{}, 1)} }

// add notes a finished copy of the running engine, and gives all there are.
func (e *early) add(r *recorder, driveID string) (finished []string, ok bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if r.over {
		return nil, false
	}
	e.finished = append(e.finished, driveID)
	return slices.Clone(e.finished), true
}

// accountSoFar is the account while an engine runs: what stood proven before it,
// and its finished copies for the files that it copies.
func (j *job) accountSoFar(r *recorder, finished []string) offload.Account {
	before := bySet(j.tally, j.livePlaces)
	now := bySet(j.tally, func(stands []stand) []offload.Place {
		places := j.livePlaces(stands)
		for _, id := range finished {
			if d := j.driveOf(id); d != nil && !j.s.retired.has(id) { // it may have been pulled since
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
