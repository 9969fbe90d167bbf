package offload

import (
	"context"
	"errors"
	"time"

	"bothy/daemon/state"
)

// graceAtStart is how long a drive that can be done without may take to make its
// folders when enough others have theirs.
const graceAtStart = time.Second

// start checks each drive and makes its folders; drives do so side by side. A
// drive that takes long, and can be done without, begins by being let go.
func (r *run) start(ctx context.Context) {
	ready := make(chan struct{}, len(r.targets))
	for _, t := range r.targets {
		r.guard(t, func() { t.prepare(ctx) }, func() { close(t.prepared); ready <- struct{}{} })
	}
	var grace <-chan time.Time
	for range r.targets {
		if grace == nil && r.enoughPrepared() {
			timer := time.NewTimer(graceAtStart)
			defer timer.Stop()
			grace = timer.C
		}
		select {
		case <-ready:
		case <-grace:
			for _, t := range r.targets {
				if !t.isPrepared() {
					t.behind.Store(true)
					t.setPhase(state.CopyBehind)
				}
			}
			return
		}
	}
}

// enoughPrepared reports whether the drives that are ready are enough.
func (r *run) enoughPrepared() bool {
	var places []Place
	for _, t := range r.targets {
		if t.isPrepared() && !t.isSetAside() && t.ended() != state.CopyRefused {
			places = append(places, t.drive.Place)
		}
	}
	return r.job.Copies > 0 && Distinct(places) >= r.job.Copies
}

func (t *target) isPrepared() bool {
	select {
	case <-t.prepared:
		return true
	default:
		return false
	}
}

// settled waits until nothing goes on at a drive from before.
func (t *target) settled() {
	<-t.prepared
	if t.stint != nil {
		<-t.stint.over
	}
}

// prepare makes the folders, and proves again what an earlier run left.
func (t *target) prepare(ctx context.Context) {
	switch err := t.preflight(); {
	case errors.Is(err, ErrRefused):
		t.refuse(err)
		return
	case err != nil:
		t.setAsideFor(err)
		return
	}
	t.movePhase(state.CopyWaiting, state.CopyCopying)
	if err := t.makeFolders(); err != nil {
		t.setAsideFor(err)
		return
	}
	if t.drive.Resume {
		t.proveHeld(ctx)
	}
}

// refuse ends a copy before anything was written.
func (t *target) refuse(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.err == nil {
		t.result = &CopyResult{DriveID: t.drive.ID, DriveName: t.drive.Name, Phase: state.CopyRefused, Err: err}
	}
}
