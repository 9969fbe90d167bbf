package offload

import (
	"maps"

	"bothy/daemon/state"
)

// result gathers how everything ended.
func (r *run) result() Result {
	res := Result{
		Copies: make([]CopyResult, len(r.targets)), Sums: map[string]Checksums{}, CardErr: r.cardErr,
		Unreadable: r.unread, HistoryBroken: r.historyBad, Damaged: map[string][]string{},
		BytesRead: r.bytesRead.Load(), FlushFailures: int(r.flushFailures.Load()), Mismatches: int(r.mismatches.Load()),
		ReadBackErrors: int(r.readBackErrors.Load()), Salvaged: r.salvages(),
	}
	r.mu.Lock()
	res.RecorderErr = r.recorderErr
	r.mu.Unlock()
	for i, t := range r.targets {
		res.Copies[i] = t.outcome()
	}
	for _, t := range r.from {
		res.FromErrs = append(res.FromErrs, t.reason())
	}
	for t, damaged := range r.damaged {
		for _, f := range r.all() {
			if damaged[f.index] {
				res.Damaged[t.drive.ID] = append(res.Damaged[t.drive.ID], f.Path)
			}
		}
	}
	for _, f := range r.files {
		if c, ok := f.checksums(); ok && r.books.isSettled(f) {
			res.Sums[f.Path] = c
		}
		if f.isChanged() {
			res.Changed = append(res.Changed, f.Path)
		}
	}
	return res
}

func (t *target) outcome() CopyResult {
	t.mu.Lock()
	defer t.mu.Unlock()
	c := CopyResult{DriveID: t.drive.ID, DriveName: t.drive.Name, Folder: t.folder}
	switch {
	case t.result != nil:
		c = *t.result
	case t.err != nil:
		c.Phase, c.Err = state.CopyFailed, t.err
	case t.run.cardErr != nil:
		c.Phase, c.Err = state.CopyUnfinished, t.run.cardErr
	case t.run.yielded != nil:
		c.Phase, c.Err = state.CopyUnfinished, t.run.yielded
	case len(t.run.from) > 0:
		c.Phase, c.Err = state.CopyUnfinished, errNotAll // other copies may hold the rest
	default:
		c.Phase, c.Err = state.CopyFailed, errNotAll
	}
	c.FilesProven, c.BytesProven = t.provenN, t.provenB
	c.BytesWritten, c.BytesReadBack = t.written.Load(), t.readBack.Load()
	return c
}

// Missing are the unreadable files of which Salvaged does not speak, path to
// reason.
func (r *Result) Missing() map[string]string {
	list := maps.Clone(r.Unreadable)
	for _, s := range r.Salvaged {
		delete(list, s.Path)
	}
	return list
}
