package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/volume"
	"bothy/policy"
	"bothy/udev"
)

// job brings one card to the drives that are there now. It runs on a goroutine
// of its own and touches the supervisor only through post.
type job struct {
	s       *supervisor
	card    *card // for the supervisor's goroutine only
	dev     udev.Device
	rule    policy.CardRule
	box     policy.Box
	policy  *policy.Policy // that rule and box are of
	boxName string
	boxID   string
	drives  []*jobDrive
	unfit   map[string]bool // ids of attached drives that are set aside
	stands  string          // why the card is released already; else empty

	opened *Opened
	plan   *offload.Plan
	known  map[string]offload.Checksums // of files recognised from an earlier reading
	refers map[string]string            // path to the offload that holds it
	places map[string][]offload.Place   // where each file stands proven
	on     map[string]map[string]bool   // by drive id: files in finished copies there
	hashes map[string]map[string]string // the card's own manifests
	faults []string                     // each holds the card
	// compared are files that the engine held against hashes in this job, and
	// vouched those that an earlier job had when it released the card.
	compared, vouched map[string]bool
	notes             []finding // conditions to raise
	out               outcome
	early             early
}

// jobDrive is a drive as a job uses it.
type jobDrive struct {
	drive     *drive // for the supervisor's goroutine only
	dev       udev.Device
	path      string
	rule      policy.DriveRule
	identity  Identity
	opened    *Opened
	freeBytes int64
	err       error // what went wrong with it
}

func (d *jobDrive) place() offload.Place {
	p := offload.Place{DriveID: d.identity.ID, DiskKey: d.dev.DiskKey}
	if d.opened != nil {
		p.Disks = d.opened.Disks
	}
	return p
}

type finding struct {
	code   state.Code
	detail string
}

// outcome is how a job ended.
type outcome struct {
	verdict     state.Verdict
	holdKind    state.HoldKind
	reason      string
	offloadIDs  []string // of this job, in order
	files       int
	bytes       int64
	findings    []finding
	cardErr     error
	recorderErr error
}

// run does the whole way of a card. Its order is the promise: everything that
// a release rests on is durable before this returns.
func (j *job) run(ctx context.Context) outcome {
	j.out.verdict, j.out.holdKind = state.Hold, state.HoldByFault
	opened, err := j.s.openCard(ctx, j.dev)
	if err != nil {
		return j.stop(ctx, state.MediumUnmountable, "the card cannot be mounted", err)
	}
	j.opened = opened
	defer j.release(opened)
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
	j.openDrives(ctx)
	defer j.releaseDrives()
	if ctx.Err() != nil {
		return j.cardErr(ctx, ctx.Err())
	}
	j.checkCopies(ctx)
	for _, g := range j.groups() {
		if err := j.offload(ctx, g); err != nil {
			return j.cardErr(ctx, err)
		}
	}
	if err := j.compareHistory(ctx); err != nil {
		return j.cardErr(ctx, err)
	}
	return j.judge(ctx)
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
	gone, changed := errors.Is(err, offload.ErrCardGone), errors.Is(err, offload.ErrCardChanged)
	standing := j.releasedAlready()
	switch {
	case standing != "" && (gone || changed || errors.Is(err, errStopping)):
		// It could be taken out: only slower drives did not get theirs.
		j.out.verdict, j.out.holdKind, j.out.reason = state.Release, state.NoHold, standing
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

// recorderFailed keeps the first failure of the ledger; that a card was pulled
// in the middle of a query is none.
func (j *job) recorderFailed(err error) {
	if err != nil && j.out.recorderErr == nil && !errors.Is(err, context.Canceled) {
		j.out.recorderErr = err
	}
}

func (j *job) release(o *Opened) {
	if err := o.Release(context.Background()); err != nil {
		j.s.cfg.Log.Warn("card was not cleanly let go", "card", j.dev.Name, "err", err)
	}
}

// stillThere tells a card that went away from a file that cannot be read.
func (j *job) stillThere() error {
	if j.opened.Medium == nil {
		return nil
	}
	return j.opened.Medium.Confirm()
}

// openDrives mounts every drive for writing.
func (j *job) openDrives(ctx context.Context) {
	for _, d := range j.drives {
		o, err := openDrive(ctx, j.s.cfg.Volumes, d.dev, d.path, false)
		if err != nil && ctx.Err() != nil {
			return // the card's doing, not the drive's
		}
		if err != nil {
			d.err = fmt.Errorf("mount the drive: %w", err)
			continue
		}
		id, err := readIdentity(o.Root)
		if err != nil || id.ID != d.identity.ID {
			d.err = fmt.Errorf("%w: it is not the drive it was when it was attached", offload.ErrDriveGone)
			j.closeDrive(d, o)
			continue
		}
		d.opened = o
	}
}

func (j *job) closeDrive(d *jobDrive, o *Opened) {
	err := o.Release(context.Background())
	if err == nil {
		return
	}
	j.s.cfg.Log.Warn("drive was not cleanly let go", "drive", d.identity.Name, "err", err)
	if d.err == nil && errors.Is(err, offload.ErrDriveHung) {
		d.err = fmt.Errorf("let the drive go: %w", err)
	}
}

func (j *job) releaseDrives() {
	for _, d := range j.drives {
		if d.opened == nil {
			continue
		}
		if !errors.Is(d.err, offload.ErrDriveHung) {
			if free, _, err := volume.Space(d.opened.Root); err == nil {
				d.freeBytes = free
			}
		}
		j.closeDrive(d, d.opened)
	}
}

// judge draws up the account and gives the verdict. Before a release the card
// must confirm once more that it is the one that was read.
func (j *job) judge(ctx context.Context) outcome {
	verdict, kind, reason := offload.Judge(j.account())
	if verdict == state.Release {
		if err := j.stillThere(); err != nil {
			return j.cardErr(ctx, err)
		}
	}
	j.out.verdict, j.out.holdKind, j.out.reason, j.out.findings = verdict, kind, reason, j.notes
	status := ledger.OffloadOpen
	if verdict == state.Release {
		status = ledger.OffloadDone
	}
	j.update(ctx, status)
	return j.out
}

func (j *job) account() offload.Account {
	a := offload.Account{Copies: j.box.Copies, Places: map[string][]offload.Place{}, Faults: j.faults}
	if j.rule.Verify == policy.VerifySize {
		a.Faults = append(a.Faults, "its rule asks for no reading back, and copies that were not read back release no card")
	}
	for _, e := range j.plan.Files {
		a.Files = append(a.Files, e.Path)
		a.Places[e.Path] = j.livePlaces(j.places[e.Path])
	}
	for _, d := range j.drives {
		if d.err != nil {
			a.Outlook = append(a.Outlook, fmt.Sprintf("%s: %v", d.identity.Name, d.err))
		}
	}
	return a
}

// livePlaces fills in what only the attached drives can tell. A drive that is
// there and cannot be looked at vouches for nothing; one that is away counts by
// what is known of it.
func (j *job) livePlaces(places []offload.Place) []offload.Place {
	live := make([]offload.Place, 0, len(places))
	for _, p := range places {
		if d := j.driveOf(p.DriveID); d != nil {
			p = d.place()
			if d.opened == nil {
				continue
			}
		} else if j.unfit[p.DriveID] {
			continue
		}
		if !slices.ContainsFunc(live, func(q offload.Place) bool { return q.DriveID == p.DriveID }) {
			live = append(live, p)
		}
	}
	return live
}
