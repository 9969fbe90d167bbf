package daemon

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
	"bothy/udev"
)

// job brings one card to the drives that are there now. It runs on a goroutine
// of its own and touches the supervisor only through post and what guards
// itself.
type job struct {
	task
	card   *card // for the supervisor's goroutine only
	dev    udev.Device
	rule   policy.CardRule
	policy *policy.Policy  // that rule and box are of
	unfit  map[string]bool // ids of attached drives that are set aside
	stands string          // why the card is released already; else empty; guarded by early.mu
	parked bool            // it was ended for want of power; for the supervisor's goroutine only

	opened *Opened
	letGo  sync.Once      // lets the card go
	side   sync.WaitGroup // what goes on beside run and ends with it
	plan   *offload.Plan
	before []ledger.KnownFile           // as the ledger has them; from recognise to checkCopies
	known  map[string]offload.Checksums // of files recognised from an earlier reading
	tally  *tally                       // where each file stands proven
	hashes map[string]map[string]string // the card's own manifests
	faults []string                     // each holds the card
	// compared are files that the engine held against hashes in this job, and
	// vouched those that an earlier job had when it released the card.
	compared, vouched map[string]bool
	notes             []finding // conditions to raise
	out               outcome
	early             early
}

type finding struct {
	code   state.Code
	detail string
}

// outcome is how a job ended.
type outcome struct {
	verdict    state.Verdict
	holdKind   state.HoldKind
	reason     string
	offloadIDs []string // of this job, in order
	basis      basis    // what a release rests on
	files      int
	bytes      int64
	findings   []finding
	cardErr    error
}

// run does the whole way of a card. Its order is the promise: everything that
// a release rests on is durable before this returns.
func (j *job) run(ctx context.Context) outcome {
	j.out.verdict, j.out.holdKind = state.Hold, state.HoldByFault
	opened, err := j.s.openCard(ctx, j.dev)
	if err != nil {
		j.s.mounted.leave(j.dev)
		return j.stop(ctx, state.MediumUnmountable, "the card cannot be mounted", err)
	}
	j.opened = opened
	drivesThere := j.openDrives(ctx)
	defer func() {
		drivesThere()
		j.letCardGo()
		j.side.Wait()
		j.releaseDrives()
	}()
	if opened.Dirty {
		j.note(state.MediumDirty, "")
		if j.rule.Dirty != policy.DirtyAccept {
			j.faults = append(j.faults, "the card was not cleanly unmounted, so files written last may not show; look at it in the camera")
		}
	}
	if err := j.list(ctx); err != nil {
		return j.stop(ctx, state.CardUnreadable, "the card cannot be listed", err)
	}
	if err := j.recognise(ctx); err != nil {
		return j.stop(ctx, state.CardUnreadable, "the card cannot be read", err)
	}
	drivesThere()
	if ctx.Err() != nil {
		return j.cardErr(ctx, ctx.Err())
	}
	j.checkCopies(ctx)
	if ctx.Err() != nil { // it has not looked at all of them
		return j.cardErr(ctx, ctx.Err())
	}
	j.takeBack()
	groups := j.groups()
	for i, g := range groups {
		if err := j.offload(ctx, g, i == len(groups)-1); err != nil {
			return j.cardErr(ctx, err)
		}
	}
	if err := j.compareHistory(ctx); err != nil {
		return j.cardErr(ctx, err)
	}
	out := j.judge(ctx)
	j.leaveReports(ctx, out)
	return out
}

// openCard opens a card, unless somebody else uses it.
func (s *supervisor) openCard(ctx context.Context, dev udev.Device) (*Opened, error) {
	mounted, err := s.cfg.MountedDisks()
	if err != nil {
		return nil, err
	}
	if where, ok := mounted[dev.Disk]; ok {
		return nil, fmt.Errorf("it is mounted at %s by something else; unmount it there", where)
	}
	if dev.FSType == "" {
		return nil, errors.New("no file system was recognised on it")
	}
	return s.cfg.Volumes.Card(ctx, dev)
}

func (j *job) note(code state.Code, detail string) { j.notes = append(j.notes, finding{code, detail}) }

// stop ends a job that could not get to the copying.
func (j *job) stop(ctx context.Context, code state.Code, what string, err error) outcome {
	if cause := context.Cause(ctx); cause != nil {
		return j.cardErr(ctx, cause)
	}
	if errors.Is(err, offload.ErrCardGone) || errors.Is(err, offload.ErrCardChanged) {
		return j.cardErr(ctx, err)
	}
	j.note(code, err.Error())
	j.out.findings = j.notes
	j.out.reason = fmt.Sprintf("%s: %v", what, err)
	return j.out
}

// cardErr ends a job whose card went away, or that was stopped.
func (j *job) cardErr(ctx context.Context, err error) outcome {
	if cause := context.Cause(ctx); cause != nil {
		err = cause
	}
	j.out.cardErr, j.out.findings = err, j.notes
	j.out.verdict, j.out.holdKind = state.Hold, state.HoldByFault
	j.out.reason = err.Error()
	status := ledger.OffloadOpen
	gone, changed, parked := errors.Is(err, offload.ErrCardGone), errors.Is(err, offload.ErrCardChanged), errors.Is(err, errParked)
	standing := j.releasedAlready()
	switch {
	case standing != "" && (gone || changed || parked || errors.Is(err, errStopping)):
		// It could be taken out: only slower drives did not get theirs.
		j.out.verdict, j.out.holdKind, j.out.reason = state.Release, state.NoHold, standing
		j.out.basis = j.releaseBasis()
	case parked:
		return j.out // that is no verdict of its own: the offload stays open as it is
	case gone:
		j.out.reason = "it was pulled before it was released; put it in again"
	case changed:
		j.out.reason = "another card appeared in its place; this offload is void"
		status = ledger.OffloadVoid
	}
	j.update(ctx, status)
	return j.out
}

// update notes the verdict with every offload of this job.
func (j *job) update(ctx context.Context, status string) {
	if j.s.ledger == nil {
		return
	}
	for _, id := range j.out.offloadIDs {
		if strings.HasPrefix(id, unrecorded) {
			continue
		}
		err := j.s.ledger.UpdateOffload(context.WithoutCancel(ctx), id, string(j.out.verdict), j.out.reason, status, moment(j.s.cfg.Now))
		j.recorderFailed(err)
	}
}

// letCardGo unmounts the card; nothing may be read from it afterwards.
func (j *job) letCardGo() {
	j.letGo.Do(func() {
		if err := j.opened.Release(context.Background()); err != nil {
			j.s.cfg.Log.Warn("card was not cleanly let go", "card", j.dev.Name, "err", err)
		}
		j.s.mounted.leave(j.dev)
	})
}

// stillThere tells a card that went away from a file that cannot be read.
func (j *job) stillThere() error {
	if j.opened.Medium == nil {
		return nil
	}
	return j.opened.Medium.Confirm()
}
