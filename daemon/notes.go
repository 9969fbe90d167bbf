package daemon

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/sys/unix"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// noteCopy records how a copy ended; what ended well is recorded already. A copy
// of which nothing was written has no folder: what bears the name that it would
// have had is not ours.
func (t *task) noteCopy(ctx context.Context, offloadID string, d offload.Drive, c offload.CopyResult) {
	if t.s.ledger == nil || c.Phase == state.CopyProven || c.Phase == state.CopyIncomplete {
		return
	}
	status := ledger.CopyFailed
	if c.Phase == state.CopyUnfinished {
		status = ledger.CopyOpen
	}
	reason := ""
	if c.Err != nil {
		reason = c.Err.Error()
	}
	folder := strings.TrimSuffix(c.Folder, offload.UnfinishedSuffix)
	if folder == "" && d.Resume {
		folder = d.Folder
	}
	t.recorderFailed(t.s.ledger.PutCopy(context.WithoutCancel(ctx), ledger.Copy{
		OffloadID: offloadID, DriveID: c.DriveID, Folder: folder, Status: status, Reason: reason, Updated: moment(t.s.cfg.Now),
	}))
}

// noteBegun records where each copy is about to be written, before its first
// byte: after a power cut nothing else says that the unfinished folder is ours
// to go on with. Nor does anything else say that it is not: where the name was
// not seen to be free, nothing is noted, since what is there is somebody's.
func (t *task) noteBegun(ctx context.Context, offloadID string, on []*jobDrive, drives []offload.Drive) {
	if t.s.ledger == nil || strings.HasPrefix(offloadID, unrecorded) {
		return
	}
	for i, d := range drives {
		ours := d.Resume
		if !ours {
			// What was proven in another folder is not proven in this one.
			t.recorderFailed(t.s.ledger.ForgetProofs(ctx, offloadID, d.ID))
			free, err := ask(ctx, t, on[i], func(_ context.Context, o *Opened, _ func()) (bool, error) {
				return nameSeenFree(o.FS, d.Folder), nil
			})
			ours = free && err == nil
		}
		if !ours {
			continue
		}
		t.recorderFailed(t.s.ledger.PutCopy(ctx, ledger.Copy{
			OffloadID: offloadID, DriveID: d.ID, Folder: d.Folder, Status: ledger.CopyOpen, Updated: moment(t.s.cfg.Now),
		}))
	}
}

// leaveSnapshots leaves a copy of the ledger on each drive, so that any of them
// can tell what a lost box knew.
func (t *task) leaveSnapshots(ctx context.Context, drives []*jobDrive) {
	if t.s.ledger == nil {
		return
	}
	l, box := t.s.ledger, t.boxID
	t.leave(ctx, drives, "the ledger's copy", func(ctx context.Context, h *share, o *Opened, step func()) error {
		return h.leaveSnapshot(ctx, o, l, box, step)
	})
}

// leave writes what is the box's own to each drive that is well. That it cannot
// be written is no fault of a copy; a drive without room for it is full.
func (t *task) leave(ctx context.Context, drives []*jobDrive, what string, write func(ctx context.Context, h *share, o *Opened, step func()) error) {
	for _, d := range drives {
		if d.err != nil || d.opened == nil {
			continue
		}
		h := d.share
		_, err := ask(ctx, t, d, func(ctx context.Context, o *Opened, step func()) (struct{}, error) {
			return struct{}{}, write(ctx, h, o, step)
		})
		switch {
		case errors.Is(err, unix.ENOSPC), errors.Is(err, unix.EDQUOT):
			d.err = fmt.Errorf("%w: %s found no room: %w", offload.ErrDriveFull, what, err)
		case err != nil:
			t.s.cfg.Log.Warn(what+" was not left on the drive", "drive", d.identity.Name, "err", err)
		}
	}
}
