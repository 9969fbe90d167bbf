package daemon

import (
	"context"
	"errors"
	"path"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
)

// shuttleDrive says to the engine how to use a shuttle.
func (e *errand) shuttleDrive(ctx context.Context, d *jobDrive, h *handing, ej offload.Job, name string) offload.Drive {
	out := d.destination(name)
	out.Resume = isFolderOn(ctx, &e.task, d, name+offload.UnfinishedSuffix)
	if out.Resume {
		proven, err := e.s.ledger.Proven(ctx, h.w.ID, d.identity.ID)
		e.recorderFailed(err)
		for _, f := range ej.Plan.Files {
			if _, own := h.stand.sums[f.Path]; own || proven[f.Path] && !f.InHistory {
				out.Held[f.Path] = ej.Known[f.Path]
			}
		}
	}
	e.makeRoom(ctx, d, &out, ej.Plan)
	return out
}

// makeReady finds the folder that the engine goes on with, or a free name. A
// finished one that is ours alone is called unfinished again while more is brought.
func (e *errand) makeReady(ctx context.Context, d *jobDrive, h *handing) (name string, err error) {
	if !h.goesOn() {
		h.stand, h.before = standingFolder{}, ledger.Copy{}
		name = h.w.Folder
		if !h.whole {
			name += offload.PartSuffix
		}
		h.proven = map[string]bool{} // in another folder
		return e.freeFolder(ctx, name, []*jobDrive{d})
	}
	name = h.stand.folder
	if !e.s.claims.folder(&e.task, name, []*jobDrive{d}) {
		return "", errors.New("something else is at work there")
	}
	if h.stand.unfinished {
		return name, nil
	}
	c := h.before
	c.Status, c.Reason, c.Updated = ledger.CopyOpen, "", moment(e.s.cfg.Now)
	if err := e.s.ledger.PutCopy(ctx, c); err != nil {
		e.recorderFailed(err)
		return "", err
	}
	e.leaveCollection(ctx, d) // it names this folder no more
	return name, e.renameWork(ctx, d, name, name+offload.UnfinishedSuffix)
}

// dropWork removes unfinished work of which nothing is left.
func (e *errand) dropWork(ctx context.Context, d *jobDrive, h *handing, name string) {
	err := e.clearOwn(ctx, d, name+offload.UnfinishedSuffix)
	if err == nil {
		err = e.s.ledger.PutCopy(context.WithoutCancel(ctx), ledger.Copy{
			OffloadID: h.w.ID, DriveID: d.identity.ID, Status: ledger.CopyFailed, Reason: "no copy gave any of it", Updated: moment(e.s.cfg.Now)})
	}
	if err != nil {
		e.lackStays(h.w.ID, err.Error())
	}
}

// callPart gives unfinished work that was to be a whole copy the name of a part.
func (e *errand) callPart(ctx context.Context, d *jobDrive, h *handing, name string) (string, error) {
	part, err := e.freeFolder(ctx, h.w.Folder+offload.PartSuffix, []*jobDrive{d})
	if err != nil || !isFolderOn(ctx, &e.task, d, name+offload.UnfinishedSuffix) {
		return part, err
	}
	return part, e.renameWork(ctx, d, name+offload.UnfinishedSuffix, part+offload.UnfinishedSuffix)
}

func (e *errand) renameWork(ctx context.Context, d *jobDrive, from, to string) error {
	_, err := ask(ctx, &e.task, d, func(_ context.Context, o *Opened, step func()) (struct{}, error) {
		if err := o.FS.Rename(from, to); err != nil {
			return struct{}{}, err
		}
		step()
		return struct{}{}, o.FS.SyncDir(path.Dir(to))
	})
	return err
}
