package offload

import (
	"context"
	"errors"
	"fmt"

	"bothy/daemon/state"
)

// validateFrom says whether a job that reads copies makes sense.
func (j *Job) validateFrom() error {
	if j.Verify == VerifySize {
		return fmt.Errorf("%w: what comes from a copy is always read back", ErrRefused)
	}
	for i := range j.Plan.Files {
		if _, ok := j.Known[j.Plan.Files[i].Path]; !ok {
			return fmt.Errorf("%w: %q has no checksum that its copies could be held against", ErrRefused, j.Plan.Files[i].Path)
		}
	}
	return nil
}

// newSource is a drive that was done before the run began: it takes nothing, and
// gives what its copy holds.
func newSource(r *run, d *Drive) *target {
	t := newTarget(r, d)
	close(t.prepared)
	t.result = &CopyResult{DriveID: d.ID, DriveName: d.Name, Phase: state.CopyProven, Folder: d.Folder}
	for _, f := range r.files {
		t.standing[f.index] = unwanted
		if want, ok := d.Held[f.Path]; ok && want == r.job.Known[f.Path] {
			t.standing[f.index] = proven
		}
	}
	return t
}

// errSaved: the copies that were read are themselves of a card that was not
// read whole.
var errSaved = errors.New("the card could not be read whole when it was copied")

// giveWay waits while other work goes before a job that only reads copies.
func (r *run) giveWay(ctx context.Context) error {
	if len(r.job.From) == 0 || r.job.Yield == nil {
		return nil
	}
	if err := r.job.Yield(ctx); err != nil {
		return errStopped
	}
	return nil
}
