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

// openOffload goes on with an interrupted offload of the same files, or begins
// one.
func (j *job) openOffload(ctx context.Context, g group) (o ledger.Offload, resumed bool, err error) {
	if j.s.ledger != nil {
		old, ok, err := j.s.ledger.OpenOffload(ctx, j.cardKey())
		j.recorderFailed(err)
		if ok && err == nil && j.matches(ctx, old, g.plan) && j.s.claims.offload(j, old.ID) {
			return old, true, nil
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
			j.s.claims.offload(j, begun.ID) // it is new
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

// freeFolder claims a name that no drive holds and no other job has taken.
func (j *job) freeFolder(ctx context.Context, want string, drives []*jobDrive) (string, error) {
	return freeFolder(want, func(name string) bool {
		if !j.s.claims.folder(j, name, drives) {
			return false
		}
		return !slices.ContainsFunc(drives, func(d *jobDrive) bool {
			free, err := ask(ctx, j, d, func(_ context.Context, o *Opened, _ func()) (bool, error) { return nameFree(o.FS, name), nil })
			return err == nil && !free
		})
	})
}

// unrecorded begins the id of an offload that the ledger does not know.
const unrecorded = "unrecorded-"

// matches reports whether an open offload is about just these files.
func (j *job) matches(ctx context.Context, o ledger.Offload, plan *offload.Plan) bool {
	if o.Files != len(plan.Files) || o.Bytes != plan.Bytes || o.Checksum != j.rule.Checksum || o.Verify != j.rule.Verify {
		return false
	}
	files, err := j.s.ledger.Files(ctx, o.ID)
	if err != nil {
		j.recorderFailed(err)
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
func (j *job) resume(ctx context.Context, d *jobDrive, o ledger.Offload, e *offload.Drive) {
	copies, err := j.s.ledger.Copies(ctx, o.ID)
	j.recorderFailed(err)
	for _, c := range copies {
		if c.DriveID != d.identity.ID || c.Status == ledger.CopyLost || c.Folder == "" {
			continue
		}
		// A copy of a card that was not read whole is noted under the name it was
		// about to get.
		folder := strings.TrimSuffix(c.Folder, offload.IncompleteSuffix)
		if !isFolderOn(ctx, j, d, folder+offload.UnfinishedSuffix) || !j.s.claims.folder(j, folder, []*jobDrive{d}) {
			continue
		}
		proven, err := j.s.ledger.Proven(ctx, o.ID, d.identity.ID)
		j.recorderFailed(err)
		e.Folder, e.Resume, e.Held = folder, true, map[string]offload.Checksums{}
		for name := range proven {
			if known, ok := j.known[name]; ok {
				e.Held[name] = known
			}
		}
		return
	}
	if name, err := j.freeFolder(ctx, e.Folder, []*jobDrive{d}); err == nil {
		e.Folder = name
	}
}

func isFolderOn(ctx context.Context, j *job, d *jobDrive, name string) bool {
	item, err := ask(ctx, j, d, func(_ context.Context, o *Opened, _ func()) (offload.Item, error) { return o.FS.Lstat(name) })
	return err == nil && item.Mode.IsDir()
}
