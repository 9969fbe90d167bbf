package daemon

import (
	"slices"
	"sync"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/pace"
	"bothy/daemon/state"
)

// tellEvery is how often a running offload is shown anew, unless a copy goes
// into another phase. The engine is looked at more often than that.
const tellEvery = 500 * time.Millisecond

// speeds remember how fast media were, so that the first minute of the next
// offload need not be a guess.
type speeds struct {
	mu      sync.Mutex
	drives  map[string]pace.Rates // guarded by mu; by drive id
	readers map[string]float64    // guarded by mu; by the slot that cards were in; bytes per second
}

func (s *speeds) of(driveID string) pace.Rates {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.drives[driveID]
}

func (s *speeds) reader(slot string) float64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.readers[slot]
}

func (s *speeds) learn(slot string, drives []offload.Drive, e *pace.Estimator) {
	card, rates := e.Rates()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.drives == nil {
		s.drives, s.readers = map[string]pace.Rates{}, map[string]float64{}
	}
	s.readers[slot] = card
	for i, d := range drives {
		s.drives[d.ID] = rates[i]
	}
}

// pacePlan says to the estimator what the engine is about to do.
func pacePlan(j *offload.Job, known func(driveID string) pace.Rates, card float64) pace.Plan {
	p := pace.Plan{
		Needed: j.Copies, NoProof: j.Verify == offload.VerifySize, Twice: j.Verify == offload.VerifyReadBackTwice, CardRate: card,
	}
	for _, e := range j.Plan.Files {
		p.Files = append(p.Files, e.SizeBytes)
	}
	for _, d := range j.Drives {
		p.Copies = append(p.Copies, pace.Copy{ReadBackAfter: d.ReadBackAfter, FollowBytes: d.Follows(), Rates: known(d.ID), Held: func(i int) bool {
			_, held := d.Held[j.Plan.Files[i].Path]
			return held
		}})
	}
	return p
}

// paceLook turns an engine's look into one of the estimator's.
func paceLook(at time.Duration, p offload.Progress) pace.Look {
	l := pace.Look{At: at, BytesRead: p.BytesRead}
	for _, c := range p.Copies {
		l.Copies = append(l.Copies, pace.CopyLook{
			Phase: c.Phase, BytesWritten: c.BytesWritten, BytesReadBack: c.BytesReadBack, BytesProven: c.BytesProven,
		})
	}
	return l
}

// paced takes in the engine's looks, estimates, and shows now and then how far
// the offload is. What it returns is called from one goroutine.
func (j *job) paced(offloadID string, ej *offload.Job) func(offload.Progress) {
	plan := pacePlan(ej, j.s.speeds.of, j.s.speeds.reader(j.dev.Slot))
	if plan.Needed == 0 {
		plan.Needed = j.box.Copies
	}
	estimator, begun := pace.New(plan), time.Now()
	var told time.Duration
	var phases []state.CopyPhase
	return func(p offload.Progress) {
		look := paceLook(time.Since(begun), p)
		said := estimator.Look(look)
		var now []state.CopyPhase
		for _, c := range p.Copies {
			now = append(now, c.Phase)
		}
		if slices.Equal(now, phases) && look.At-told < tellEvery {
			return
		}
		told, phases = look.At, now
		j.s.speeds.learn(j.dev.Slot, ej.Drives, estimator)
		j.s.post(func() {
			j.s.progress(offloadID, p)
			j.s.showPace(offloadID, p, said)
		})
	}
}

// showPace shows what was estimated.
func (s *supervisor) showPace(id string, p offload.Progress, said pace.Estimate) {
	i := slices.IndexFunc(s.offloads, func(o *state.Offload) bool { return o.ID == id })
	if i < 0 {
		return
	}
	o := s.offloads[i]
	o.Done, o.BytesPerSecond, o.Left = said.Done, said.BytesPerSecond, state.Left(said.Left)
	for i, c := range p.Copies {
		for k := range o.Copies {
			if o.Copies[k].DriveID == c.DriveID {
				o.Copies[k].Done, o.Copies[k].Left = said.Copies[i].Done, state.Left(said.Copies[i].Left)
			}
		}
	}
}

// endPace shows an offload whose engine has ended: nothing is left.
func endPace(o *state.Offload) {
	o.BytesPerSecond, o.Left = 0, state.Left{}
	for k := range o.Copies {
		o.Copies[k].Left = state.Left{}
		if o.Copies[k].Phase == state.CopyProven {
			o.Copies[k].Done = 1
		}
	}
}
