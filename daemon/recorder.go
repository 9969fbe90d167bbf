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
	l := r.ledger()
	if l == nil {
		return nil
	}
	c := ledger.Copy{OffloadID: r.offload.ID, DriveID: driveID, Folder: folder, Status: status, Updated: moment(r.job.s.cfg.Now)}
	if w == nil {
		copies, err := l.Copies(ctx, r.offload.ID)
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
	return l.PutCopy(ctx, c)
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
