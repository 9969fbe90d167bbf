package daemon

import (
	"context"
	"path"
	"slices"
	"strings"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// openOffload goes on with an earlier offload of just the same files, which was
// interrupted or is to have one more copy, or begins one.
func (j *job) openOffload(ctx context.Context, g group) (o ledger.Offload, resumed bool, err error) {
	if j.s.ledger != nil {
		earlier, err := j.s.ledger.OffloadsOfCard(ctx, j.cardKey())
		j.recorderFailed(err)
		for _, old := range earlier {
			if j.matches(ctx, old, g.plan) && j.s.claims.offload(&j.task, old.ID) {
				return old, true, nil
			}
		}
	}
	want, err := j.folderName()
	if err != nil {
		return o, false, err
	}
	folder, err := j.freeFolder(ctx, want, g.drives)
	if err != nil {
		return o, false, err
	}
	o = ledger.Offload{
		CardKey: j.cardKey(), CardLabel: j.dev.Label, Rule: j.rule.Name, Folder: folder, Verify: j.rule.Verify,
		Checksum: j.rule.Checksum, CopiesWanted: j.box.Copies, Files: len(g.plan.Files), Bytes: g.plan.Bytes,
		Started: moment(j.s.cfg.Now), Status: ledger.OffloadOpen, Verdict: string(state.Hold), RefersTo: j.referred(g.plan),
	}
	o.LeftOut = leftOutSentences(g.plan)
	if j.s.ledger != nil {
		begun, err := j.s.ledger.BeginOffload(ctx, o)
		if err == nil {
			j.s.claims.offload(&j.task, begun.ID) // it is new
			return begun, false, nil
		}
		if ctx.Err() != nil {
			return o, false, context.Cause(ctx)
		}
		j.recorderFailed(err)
	}
	// The work goes on without a ledger; it only is not remembered.
	o.ID = unrecorded + path.Base(folder)
	return o, false, nil
}

// freeFolder claims a name that no drive holds and no other task has taken.
func (t *task) freeFolder(ctx context.Context, want string, drives []*jobDrive) (string, error) {
	return freeFolder(want, func(name string) bool {
		if !t.s.claims.folder(t, name, drives) {
			return false
		}
		return !slices.ContainsFunc(drives, func(d *jobDrive) bool {
			free, err := ask(ctx, t, d, func(_ context.Context, o *Opened, _ func()) (bool, error) { return nameFree(o.FS, name), nil })
			return err == nil && !free
		})
	})
}

// unrecorded begins the id of an offload that the ledger does not know.
const unrecorded = "unrecorded-"

// matches reports whether an earlier offload is about just these files; one that
// is done must have them all.
func (j *job) matches(ctx context.Context, o ledger.Offload, plan *offload.Plan) bool {
	if o.Files != len(plan.Files) || o.Bytes != plan.Bytes || o.Checksum != j.rule.Checksum || o.Verify != j.rule.Verify {
		return false
	}
	files, err := j.s.ledger.Files(ctx, o.ID)
	if err != nil {
		j.recorderFailed(err)
		return false
	}
	if o.Status == ledger.OffloadDone && len(files) != o.Files {
		return false
	}
	planned := make([]bool, len(j.plan.Files))
	j.tally.each(plan, func(i int) { planned[i] = true })
	for _, f := range files {
		i, ok := j.tally.find(f.Path)
		if known, seen := j.known[f.Path]; !ok || !planned[i] || !seen || known.Sum != f.Checksum {
			return false
		}
	}
	return true
}

// resume finds what an earlier run left on a drive.
func (t *task) resume(ctx context.Context, d *jobDrive, offloadID string, known map[string]offload.Checksums, e *offload.Drive) {
	copies, err := t.s.ledger.Copies(ctx, offloadID)
	t.recorderFailed(err)
	for _, c := range copies {
		if c.DriveID != d.identity.ID || !c.Begun() || c.Folder == "" {
			continue
		}
		// A copy of a card that was not read whole is noted under the name it was
		// about to get.
		folder := strings.TrimSuffix(c.Folder, offload.IncompleteSuffix)
		if !isFolderOn(ctx, t, d, folder+offload.UnfinishedSuffix) || !t.s.claims.folder(t, folder, []*jobDrive{d}) {
			continue
		}
		proven, err := t.s.ledger.Proven(ctx, offloadID, d.identity.ID)
		t.recorderFailed(err)
		e.Folder, e.Resume, e.Held = folder, true, map[string]offload.Checksums{}
		for name := range proven {
			if known, ok := known[name]; ok {
				e.Held[name] = known
			}
		}
		return
	}
	if name, err := t.freeFolder(ctx, e.Folder, []*jobDrive{d}); err == nil {
		e.Folder = name
	}
}

func isFolderOn(ctx context.Context, t *task, d *jobDrive, name string) bool {
	item, err := ask(ctx, t, d, func(_ context.Context, o *Opened, _ func()) (offload.Item, error) { return o.FS.Lstat(name) })
	return err == nil && item.Mode.IsDir()
}
