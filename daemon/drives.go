package daemon

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"bothy/daemon/offload"
	"bothy/policy"
	"bothy/udev"
)

// jobDrive is a drive as a job uses it.
type jobDrive struct {
	drive     *drive // for the supervisor's goroutine only
	share     *share
	dev       udev.Device
	path      string
	rule      policy.DriveRule
	identity  Identity
	opened    *Opened // nil when it cannot be used
	unseen    bool    // it hung before it could be looked at
	freeBytes int64
	err       error // what went wrong with it
}

func newJobDrive(d *drive) *jobDrive {
	return &jobDrive{drive: d, share: d.share, dev: d.dev, path: d.path, rule: *d.rule, identity: d.identity}
}

func (d *jobDrive) place() offload.Place {
	p := offload.Place{DriveID: d.identity.ID, DiskKey: d.dev.DiskKey}
	if d.opened != nil {
		p.Disks = d.opened.Disks
	}
	return p
}

// source says to the engine how to read a folder of the drive.
func (d *jobDrive) source(folder string) offload.Drive {
	return offload.Drive{
		ID: d.identity.ID, Name: d.identity.Name, FS: d.opened.FS, Root: d.opened.Root, Medium: d.opened.Medium,
		Limits: d.opened.Limits, Folder: folder, Held: map[string]offload.Checksums{},
	}
}

// destination says to the engine how to write a folder of the drive. What room there
// is in it must still be said.
func (d *jobDrive) destination(folder string) offload.Drive {
	to := d.source(folder)
	to.ReserveBytes, to.ReadBackAfter, to.Place = d.rule.ReserveBytes, d.rotating(), d.place()
	return to
}

// makeRoom says to the engine how much room there is for a plan on a drive, when
// what others are about to write there is left to them.
func (t *task) makeRoom(ctx context.Context, d *jobDrive, to *offload.Drive, plan *offload.Plan) {
	missing := int64(0)
	for _, f := range plan.Files {
		if _, held := to.Held[f.Path]; !held {
			missing += f.SizeBytes
		}
	}
	others := t.s.claims.plan(t, d.identity.ID, missing)
	if free, err := ask(ctx, t, d, freeBytes); err == nil {
		to.FreeBytes = max(0, free-others)
	}
}

// rotating: seeking would hurt, so it is proven after the last write and has
// one job at a time.
func (d *jobDrive) rotating() bool { return rotates(d.dev, d.rule) }

func rotates(dev udev.Device, rule policy.DriveRule) bool {
	return rule.ReadBack == policy.ReadBackAfter || rule.ReadBack == policy.ReadBackAuto && dev.Rotational
}

func (d *jobDrive) hung() bool { return errors.Is(d.err, offload.ErrDriveHung) }

// openDrives begins to mount every drive for writing, side by side. The
// function it returns waits until all are there or given up.
func (t *task) openDrives(ctx context.Context) (wait func()) {
	var all sync.WaitGroup
	for _, d := range t.drives {
		all.Go(func() { t.openDrive(ctx, d) })
	}
	return all.Wait
}

func (t *task) openDrive(ctx context.Context, d *jobDrive) {
	o, err := d.share.open(ctx, func(ctx context.Context) (*Opened, error) {
		return openDrive(ctx, t.s.cfg.Volumes, d.dev, d.path, false)
	})
	if err != nil && ctx.Err() != nil {
		return // the card's doing, not the drive's
	}
	if err != nil {
		d.err = fmt.Errorf("mount the drive: %w", err)
		return
	}
	d.opened = o
	id, err := ask(ctx, t, d, func(_ context.Context, o *Opened, _ func()) (Identity, error) { return readIdentity(o) })
	switch {
	case err != nil && ctx.Err() != nil:
	case d.hung():
		t.closeDrive(d)
	case err != nil || id.ID != d.identity.ID:
		d.err = fmt.Errorf("%w: it is not the drive it was when it was attached", offload.ErrDriveGone)
		t.closeDrive(d)
	}
}

// ask makes a call into a drive that is given up when one of its steps takes
// longer than the box's patience. The call may outlive its job then and must
// not touch it. A drive that has hung once is not asked again.
func ask[T any](ctx context.Context, t *task, d *jobDrive, call func(ctx context.Context, o *Opened, step func()) (T, error)) (T, error) {
	if d.hung() {
		var none T
		return none, d.err
	}
	o := d.opened
	v, err := patientlyStepping(ctx, t.s.cfg.Patience, func(ctx context.Context, step func()) (T, error) {
		return call(ctx, o, func() {
			step()
			t.s.vigil.step()
		})
	}, func(T) {})
	if errors.Is(err, offload.ErrDriveHung) {
		d.err = err
	}
	return v, err
}

func (t *task) closeDrive(d *jobDrive) {
	d.opened = nil
	err := d.share.release(context.Background())
	if err == nil {
		return
	}
	t.s.cfg.Log.Warn("drive was not cleanly let go", "drive", d.identity.Name, "err", err)
	// Whatever else it has done: it is mounted still, and must not look as if it
	// could be pulled.
	if !d.hung() && errors.Is(err, offload.ErrDriveHung) {
		d.err = fmt.Errorf("let the drive go: %w", err)
	}
}

// releaseDrives lets every drive go, side by side.
func (t *task) releaseDrives() {
	var all sync.WaitGroup
	for _, d := range t.drives {
		if d.opened == nil {
			continue
		}
		all.Go(func() {
			if free, err := ask(context.Background(), t, d, freeBytes); err == nil {
				d.freeBytes = free
			}
			t.closeDrive(d)
		})
	}
	all.Wait()
}

func freeBytes(_ context.Context, o *Opened, _ func()) (int64, error) {
	free, _, err := o.space()
	return free, err
}
