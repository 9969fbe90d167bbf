package daemon

import (
	"context"
	"errors"
	"path"

	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
)

// planHanding says to the engine what to bring and where to read it. The ledger
// says what the card gave; a copy that is not whole any more still gives what is
// whole in it, since everything is held against that.
func (e *errand) planHanding(ctx context.Context, h *handing, ej *offload.Job) error {
	sources := e.sourceCopies(h)
	if h.whole && h.stand.history == nil {
		h.whole = e.planWhole(ctx, h, ej, sources)
	}
	if ej.Plan == nil {
		e.planPart(ctx, h, ej, sources)
	}
	for _, c := range sources {
		d := e.driveOf(c.DriveID)
		proven, err := e.s.ledger.Proven(ctx, h.w.ID, c.DriveID)
		if err != nil {
			return err
		}
		from := d.source(c.Folder)
		ours := pathsOf(h.files)
		for _, f := range ej.Plan.Files {
			if proven[f.Path] || !ours[f.Path] && h.whole && c.DriveID == e.historyFrom {
				from.Held[f.Path] = ej.Known[f.Path]
			}
		}
		ej.From = append(ej.From, from)
	}
	if len(ej.From) == 0 {
		err := errors.New("no drive that has it is attached")
		e.undelivered(h, err.Error())
		return err
	}
	return nil
}

// sourceCopies are the copies on attached drives, the best first.
func (e *errand) sourceCopies(h *handing) (list []ledger.Copy) {
	for _, status := range []string{ledger.CopyProven, ledger.CopyIncomplete, ledger.CopyLost} {
		for _, c := range h.w.Copies {
			d := e.driveOf(c.DriveID)
			if c.Status == status && c.Folder != "" && d != nil && d.opened != nil && !d.hung() && e.readsFrom(c.DriveID) {
				list = append(list, c)
			}
		}
	}
	return list
}

// planWhole takes an offload as it stands on a drive, with the card's own history
// and that of the copy, and reports whether that can be had.
func (e *errand) planWhole(ctx context.Context, h *handing, ej *offload.Job, sources []ledger.Copy) bool {
	ours := pathsOf(h.files)
	for _, c := range sources {
		if c.Status != ledger.CopyProven {
			continue
		}
		s, err := ask(ctx, &e.task, e.driveOf(c.DriveID), func(ctx context.Context, o *Opened, step func()) (*sourceCopy, error) {
			return readSource(ctx, o, c, h.files, ej.Checksum, step)
		})
		if err != nil {
			continue
		}
		ej.Plan, ej.Known, ej.Ignore = s.plan.Only(func(f offload.Entry) bool { return ours[f.Path] || f.InHistory }), s.known, s.ignore
		e.historyFrom = c.DriveID
		return true
	}
	return false
}

// planPart takes the chosen files, what stands in the folder already, and the
// folder's own history.
func (e *errand) planPart(ctx context.Context, h *handing, ej *offload.Job, sources []ledger.Copy) {
	ej.Plan, ej.Known = &offload.Plan{}, map[string]offload.Checksums{}
	goesOn := h.goesOn()
	for _, f := range h.files {
		stays := goesOn && !inHistory(f.Path) && (h.stand.there[f.Path] && !h.stand.unfinished || h.stand.listed[f.Path] && h.proven[f.Path])
		if h.chosen[f.Path] || stays {
			add(ej.Plan, entryOf(f))
			ej.Known[f.Path] = sumsOf(f)
		}
	}
	ej.Plan.Dirs = foldersOf(ej.Plan.Files)
	e.timeFolders(ctx, ej.Plan.Dirs, sources)
	if !goesOn || h.stand.history == nil {
		return
	}
	seen := map[string]bool{}
	for _, dir := range ej.Plan.Dirs {
		seen[dir.Path] = true
	}
	for _, f := range h.stand.history.Files {
		add(ej.Plan, f)
		ej.Known[f.Path] = h.stand.sums[f.Path]
	}
	for _, dir := range append(h.stand.history.Dirs, foldersOf(h.stand.history.Files)...) {
		if !seen[dir.Path] {
			seen[dir.Path] = true
			ej.Plan.Dirs = append(ej.Plan.Dirs, dir)
		}
	}
}

// timeFolders gives folders the times that they have in a copy.
func (e *errand) timeFolders(ctx context.Context, dirs []offload.Folder, sources []ledger.Copy) {
	for i := range dirs {
		for _, c := range sources {
			item, err := ask(ctx, &e.task, e.driveOf(c.DriveID), func(_ context.Context, o *Opened, _ func()) (offload.Item, error) {
				return o.FS.Lstat(path.Join(c.Folder, dirs[i].Path))
			})
			if err == nil && item.Mode.IsDir() {
				dirs[i].ModTime = item.ModTime
				break
			}
		}
	}
}

// handedRecorder is the ledger as the engine sees it when a shuttle is filled.
type handedRecorder struct {
	errandRecorder
	counts bool // the copy is as good as any
}

// Finishing leaves the copy open: nobody else is to take it for finished.
func (r handedRecorder) Finishing(ctx context.Context, driveID, folder string, w mhl.Written) error {
	return r.task.putCopy(ctx, r.offloadID, driveID, folder, ledger.CopyOpen, &w)
}

func (r handedRecorder) Finished(ctx context.Context, driveID, folder string) error {
	status := ledger.CopyHanded
	if r.counts {
		status = ledger.CopyProven
	}
	return r.task.putCopy(ctx, r.offloadID, driveID, folder, status, nil)
}
