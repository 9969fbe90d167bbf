package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"bothy/daemon/checksum"
	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/volume"
	"bothy/policy"
	"bothy/udev"
)

// job brings one card to the drives that are there now. It runs on a goroutine
// of its own and touches the supervisor only through post.
type job struct {
	s        *supervisor
	card     *card // for the supervisor's goroutine only
	dev      udev.Device
	rule     policy.CardRule
	box      policy.Box
	policy   *policy.Policy // that rule and box are of
	boxName  string
	boxID    string
	drives   []*jobDrive
	unfit    map[string]bool // ids of attached drives that are set aside
	stands   string          // why the card is released already; else empty
	diskKeys []diskKey

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

type diskKey struct{ driveID, key string }

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

// list makes the plan of the whole card and reads the manifests it brings.
func (j *job) list(ctx context.Context) error {
	ignore, err := mhl.ParseIgnore(append(mhl.DefaultIgnore(), j.rule.Ignore...))
	if err != nil {
		return fmt.Errorf("the rule's ignore patterns: %w", err)
	}
	if j.plan, err = offload.NewPlan(ctx, j.opened.FS, ignore); err != nil {
		return err
	}
	j.out.files, j.out.bytes = len(j.plan.Files), j.plan.Bytes
	if n := j.plan.Held(); n > 0 {
		sentence := leftOutSentence(j.plan, n)
		j.faults = append(j.faults, sentence)
		j.note(state.CardEntriesLeft, sentence)
	}
	if !j.plan.HasHistory() {
		return nil
	}
	history, err := mhl.Open(j.opened.Root)
	if err != nil {
		// They cannot be gone on with: the rest is copied, and the card is held.
		j.plan = withoutHistories(j.plan)
		j.faults = append(j.faults, "the card's own manifests are damaged: "+err.Error())
		j.note(state.CardHistoryBroken, err.Error())
		return nil
	}
	j.hashes = earlierHashes(history, j.plan)
	return nil
}

// withoutHistories is a plan that leaves the card's own manifests where they are.
func withoutHistories(p *offload.Plan) *offload.Plan {
	part := &offload.Plan{LeftOut: slices.Clone(p.LeftOut)}
	for _, e := range p.Files {
		if e.InHistory {
			part.LeftOut = append(part.LeftOut, offload.LeftOut{Path: e.Path, Why: "the card's own manifests are damaged"})
			continue
		}
		part.Files = append(part.Files, e)
		part.Bytes += e.SizeBytes
	}
	for _, d := range p.Dirs {
		if !slices.Contains(strings.Split(d.Path, "/"), mhl.FolderName) {
			part.Dirs = append(part.Dirs, d)
		}
	}
	return part
}

func leftOutSentence(p *offload.Plan, n int) string {
	for _, l := range p.LeftOut {
		if !l.Ignored {
			s := fmt.Sprintf("%q is not in the copies: %s", l.Path, l.Why)
			if n > 1 {
				s += fmt.Sprintf("; and %d more", n-1)
			}
			return s
		}
	}
	return ""
}

// cardKey recognises a card when it comes again; a card without an identity of
// its own is never recognised.
func (j *job) cardKey() string {
	if j.dev.UUID == "" || !keepable(j.dev.UUID) {
		return ""
	}
	return fmt.Sprintf("%s:%s:%d", j.dev.FSType, j.dev.UUID, j.dev.SizeBytes)
}

// keepable reports whether the ledger can keep what a device says of itself.
func keepable(s string) bool { return utf8.ValidString(s) && !strings.ContainsRune(s, 0) }

// recognise finds files that were read from this card before. Name, size and
// time must agree, and so must a sample of the content: a camera whose clock
// was reset gives other pictures the same names and times.
func (j *job) recognise(ctx context.Context) error {
	j.known, j.refers = map[string]offload.Checksums{}, map[string]string{}
	j.places, j.on = map[string][]offload.Place{}, map[string]map[string]bool{}
	j.compared, j.vouched = map[string]bool{}, map[string]bool{}
	if j.s.ledger == nil {
		return nil
	}
	list, err := j.s.ledger.KnownFiles(ctx, j.cardKey())
	if err != nil {
		j.recorderFailed(err)
		return nil // nothing is recognised: the card is copied anew
	}
	entries := map[string]offload.Entry{}
	for _, e := range j.plan.Files {
		entries[e.Path] = e
	}
	samples, released := map[string]string{}, map[string]bool{}
	block := volume.AlignedBuffer(checksum.SampleBlockBytes)
	for _, k := range list {
		e, ok := entries[k.Path]
		if !ok || k.Algorithm != j.rule.Checksum || k.SizeBytes != e.SizeBytes || k.Sample == "" || !sameTime(k.ModTime, e.ModTime) {
			continue
		}
		if samples[k.Path] == "" {
			if samples[k.Path], err = j.sample(ctx, e, block); err != nil {
				return err
			}
		}
		if samples[k.Path] != k.Sample {
			continue
		}
		if c, ok := j.known[k.Path]; ok && c.Sum != k.Checksum {
			continue // two earlier readings differ; the newest counts
		}
		j.known[k.Path] = offload.Checksums{Sum: k.Checksum, Sample: k.Sample}
		j.remember(k)
		if done, ok := released[k.OffloadID]; !ok {
			o, err := j.s.ledger.Offload(ctx, k.OffloadID)
			j.recorderFailed(err)
			released[k.OffloadID] = err == nil && o.Verdict == string(state.Release)
			j.vouched[k.Path] = j.vouched[k.Path] || released[k.OffloadID]
		} else {
			j.vouched[k.Path] = j.vouched[k.Path] || done
		}
	}
	return nil
}

func sameTime(a, b time.Time) bool { return a.Equal(b) }

func (j *job) remember(k ledger.KnownFile) {
	for _, p := range k.On {
		if p.CopyStatus != ledger.CopyProven && p.CopyStatus != ledger.CopyIncomplete {
			continue
		}
		j.places[k.Path] = append(j.places[k.Path], offload.Place{DriveID: p.DriveID, DiskKey: p.DiskKey})
		if j.on[p.DriveID] == nil {
			j.on[p.DriveID] = map[string]bool{}
		}
		j.on[p.DriveID][k.Path] = true
		j.refers[k.Path] = k.OffloadID
	}
}

func (j *job) sample(ctx context.Context, e offload.Entry, block []byte) (string, error) {
	if err := ctx.Err(); err != nil {
		return "", context.Cause(ctx)
	}
	src, err := j.opened.FS.Open(e.Path)
	if err != nil {
		return "unreadable", j.stillThere()
	}
	defer src.Close()
	s, err := checksum.SampleReaderAt(src, e.SizeBytes, block)
	if err != nil {
		return "unreadable", j.stillThere()
	}
	return s, nil
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

// referred lists the earlier offloads that hold what this one does not copy.
func (j *job) referred(plan *offload.Plan) []string {
	if len(plan.Files) == len(j.plan.Files) {
		return nil
	}
	copied := map[string]bool{}
	for _, e := range plan.Files {
		copied[e.Path] = true
	}
	var ids []string
	for name, id := range j.refers {
		if !copied[name] && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	slices.SortFunc(ids, strings.Compare)
	return ids
}
