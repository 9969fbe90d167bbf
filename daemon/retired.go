package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// retired are the drives that are out of use, with their names by id. It guards
// itself: jobs ask it whenever they judge, so that what is retired while they work
// counts no more.
type retired struct {
	mu    sync.Mutex
	names map[string]string // guarded by mu
}

func newRetired() *retired { return &retired{names: map[string]string{}} }

func (r *retired) has(id string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	_, ok := r.names[id]
	return ok
}

// name is what a retired drive is called; empty for one that is in use.
func (r *retired) name(id string) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.names[id]
}

func (r *retired) add(id, name string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.names[id] = cmpOr(name, id)
}

func (r *retired) drop(id string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	delete(r.names, id)
}

// known takes in which drives the ledger says are retired. None is dropped for
// that: only somebody who enrols it does.
func (r *retired) known(list []ledger.Drive) {
	for _, d := range list {
		if d.Retired {
			r.add(d.ID, d.Name)
		}
	}
}

// inUse leaves the copies out that stand on retired drives.
func (r *retired) inUse(list []ledger.Whereabouts) []ledger.Whereabouts {
	for i := range list {
		list[i].Copies = slices.DeleteFunc(list[i].Copies, func(c ledger.Copy) bool { return r.has(c.DriveID) })
	}
	return list
}

// basis is what a release rests on: the sets of places where files stand, each
// once. An empty one releases nothing.
type basis [][]offload.Place

func basisOf(a offload.Account) (b basis) {
	seen := map[*offload.Place]map[int]bool{}
	for _, places := range a.Places {
		if len(places) == 0 {
			b = append(b[:0:0], nil) // a file stands nowhere, and that is all there is to know
			return b
		}
		first, n := &places[0], len(places)
		if seen[first][n] {
			continue
		}
		if seen[first] == nil {
			seen[first] = map[int]bool{}
		}
		seen[first][n] = true
		b = append(b, places)
	}
	return b
}

// least counts the distinct disks of the set with the fewest, without retired drives.
func (b basis) least(r *retired) int {
	least := -1
	for _, places := range b {
		kept := slices.DeleteFunc(slices.Clone(places), func(p offload.Place) bool { return r.has(p.DriveID) })
		if n := offload.Distinct(kept); least < 0 || n < least {
			least = n
		}
	}
	return max(0, least)
}

// on reports whether it rests on what is on a drive.
func (b basis) on(driveID string) bool {
	return slices.ContainsFunc(b, func(places []offload.Place) bool {
		return slices.ContainsFunc(places, func(p offload.Place) bool { return p.DriveID == driveID })
	})
}

// lost names the retired drives that it rested on.
func (b basis) lost(r *retired) (names []string) {
	for _, places := range b {
		for _, p := range places {
			if name := r.name(p.DriveID); name != "" && !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	slices.Sort(names)
	return names
}

// wavers says why a release with such a basis does not stand any more; empty when
// it does.
func (s *supervisor) wavers(b basis, copies int) string {
	least := b.least(s.retired)
	if least >= copies && copies > 0 {
		return ""
	}
	reason := "needs " + state.Count(copies-least, "more drive")
	for _, name := range b.lost(s.retired) {
		reason += "; " + retiredSentence(name)
	}
	return reason
}

func retiredSentence(name string) string {
	return fmt.Sprintf("%s is retired, so what it holds does not count", name)
}

// doubt turns the release of a job into a hold when a drive that it rested on was
// retired meanwhile.
func (s *supervisor) doubt(c *card, out *outcome) {
	if out.verdict != state.Release {
		return
	}
	why := s.wavers(out.basis, c.copies)
	if why == "" {
		return
	}
	out.verdict, out.holdKind, out.reason = state.Hold, state.NeedsDrive, why
	s.noteHold(out.offloadIDs, why)
}

// noteHold records that offloads are on hold again.
func (s *supervisor) noteHold(ids []string, why string) {
	for _, o := range s.offloads {
		if slices.Contains(ids, o.ID) && !o.Running {
			o.Verdict, o.Reason = state.Hold, why
		}
	}
	if s.ledger == nil {
		return
	}
	for _, id := range ids {
		if !strings.HasPrefix(id, unrecorded) {
			s.ledgerResult(s.ledger.UpdateOffload(context.WithoutCancel(s.life), id, string(state.Hold), why, ledger.OffloadOpen, moment(s.cfg.Now)))
		}
	}
}

// reviseReleases holds every card again that is in and was released for the sake
// of copies on a drive that is retired now. A job that is still at it judges anew.
func (s *supervisor) reviseReleases() {
	for _, c := range s.cards {
		if c.gone || c.verdict != state.Release {
			continue
		}
		why := s.wavers(c.basis, c.copies)
		if why == "" {
			continue
		}
		c.verdict, c.reason = state.Hold, why
		c.phase, c.holdKind = state.CardDecided, state.NeedsDrive
		if c.job != nil {
			c.job.withdraw()
			c.phase, c.holdKind = state.CardLooking, state.NoHold
		}
		s.counters.Holds++
		s.noteHold(c.offloadIDs, why)
		s.cfg.Log.Warn("the release is taken back: "+why, "card", c.subject(), "offload", c.offloadID)
	}
}

// judgeAnew has every card looked at again that is in and was released for the sake
// of copies on a drive where damage was found.
func (s *supervisor) judgeAnew(driveID string) {
	for _, c := range s.cards {
		if c.verdict == state.Release && c.basis.on(driveID) {
			s.requeue(c)
		}
	}
}

// withdraw has a job forget that its card is released.
func (j *job) withdraw() {
	j.early.mu.Lock()
	defer j.early.mu.Unlock()
	j.stands, j.early.released = "", ""
}
