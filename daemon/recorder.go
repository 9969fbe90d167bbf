package daemon

import (
	"context"
	"strings"

	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/policy"
)

// recorder is the ledger as the engine sees it.
type recorder struct {
	job     *job
	offload ledger.Offload
	group   group
	over    bool // guarded by early.mu of job; its engine has ended
}

func (r *recorder) ledger() *ledger.Ledger {
	if strings.HasPrefix(r.offload.ID, unrecorded) {
		return nil
	}
	return r.job.s.ledger
}

func (r *recorder) Read(ctx context.Context, files []offload.FileSum) error {
	l := r.ledger()
	if l == nil {
		return nil
	}
	list := make([]ledger.File, 0, len(files))
	for _, f := range files {
		list = append(list, ledger.File{Path: f.Path, SizeBytes: f.SizeBytes, ModTime: f.ModTime,
			Algorithm: r.job.rule.Checksum, Checksum: f.Sum, Sample: f.Sample})
	}
	return l.RecordFiles(ctx, r.offload.ID, list)
}

func (r *recorder) Proven(ctx context.Context, driveID string, paths []string) error {
	l := r.ledger()
	if l == nil {
		return nil
	}
	return l.RecordProven(ctx, r.offload.ID, driveID, paths, moment(r.job.s.cfg.Now))
}

func (r *recorder) Unproven(ctx context.Context, driveID string, paths []string) error {
	l := r.ledger()
	if l == nil {
		return nil
	}
	return l.RecordUnproven(ctx, r.offload.ID, driveID, paths)
}

func (r *recorder) put(ctx context.Context, driveID, folder, status string, w *mhl.Written) error {
	if r.ledger() == nil {
		return nil
	}
	return r.job.putCopy(ctx, r.offload.ID, driveID, folder, status, w)
}

// putCopy records where a copy stands; without a manifest it keeps the one that
// is recorded.
func (t *task) putCopy(ctx context.Context, offloadID, driveID, folder, status string, w *mhl.Written) error {
	c := ledger.Copy{OffloadID: offloadID, DriveID: driveID, Folder: folder, Status: status, Updated: moment(t.s.cfg.Now)}
	if w == nil {
		copies, err := t.s.ledger.Copies(ctx, offloadID)
		if err != nil {
			return err
		}
		for _, old := range copies {
			if old.DriveID == driveID {
				c.ManifestPath, c.ManifestC4 = old.ManifestPath, old.ManifestC4
			}
		}
	} else {
		c.ManifestPath, c.ManifestC4 = w.Path, w.C4
	}
	return t.s.ledger.PutCopy(ctx, c)
}

func (r *recorder) Finishing(ctx context.Context, driveID, folder string, w mhl.Written) error {
	return r.put(ctx, driveID, folder, ledger.CopyFinishing, &w)
}

func (r *recorder) Finished(ctx context.Context, driveID, folder string) error {
	status := ledger.CopyProven
	switch {
	case strings.HasSuffix(folder, offload.IncompleteSuffix):
		status = ledger.CopyIncomplete
	case r.job.rule.Verify == policy.VerifySize:
		status = ledger.CopyUnproven
	}
	err := r.put(ctx, driveID, folder, status, nil)
	if status == ledger.CopyProven {
		r.job.maybeRelease(ctx, r, driveID)
	}
	return err
}

// errandRecorder is the ledger as the engine sees it when drives are read. The
// ledger knows the card's files; what else is copied it need not remember.
type errandRecorder struct {
	task      *task
	offloadID string
	known     map[string]bool // paths of the card's files
}

// errandAccount is what a recorder knows of the offload that drives are read for.
type errandAccount interface {
	about() (offloadID string)
	ours(paths []string) []string
}

func (r errandRecorder) about() string { return r.offloadID }

func (r errandRecorder) ours(paths []string) (list []string) {
	for _, name := range paths {
		if r.known[name] {
			list = append(list, name)
		}
	}
	return list
}

// Read is never called: nothing is read from a card.
func (r errandRecorder) Read(context.Context, []offload.FileSum) error { return nil }

func (r errandRecorder) Proven(ctx context.Context, driveID string, paths []string) error {
	return r.task.s.ledger.RecordProven(ctx, r.offloadID, driveID, r.ours(paths), moment(r.task.s.cfg.Now))
}

func (r errandRecorder) Unproven(ctx context.Context, driveID string, paths []string) error {
	return r.task.s.ledger.RecordUnproven(ctx, r.offloadID, driveID, r.ours(paths))
}

func (r errandRecorder) Finishing(ctx context.Context, driveID, folder string, w mhl.Written) error {
	return r.task.putCopy(ctx, r.offloadID, driveID, folder, ledger.CopyFinishing, &w)
}

func (r errandRecorder) Finished(ctx context.Context, driveID, folder string) error {
	status := ledger.CopyProven
	if strings.HasSuffix(folder, offload.IncompleteSuffix) {
		status = ledger.CopyIncomplete
	}
	return r.task.putCopy(ctx, r.offloadID, driveID, folder, status, nil)
}
