package daemon

import (
	"context"
	"fmt"
	"time"

	"bothy/daemon/offload"
	"bothy/udev"
)

// patiently gives a call into a device a time to come back, since one that hangs
// in the kernel cannot be ended. What comes when nobody waits any more is given
// to late, on the goroutine of the call, which alone outlives it.
func patiently[T any](ctx context.Context, limit time.Duration, call func(context.Context) (T, error), late func(T)) (T, error) {
	return patientlyStepping(ctx, limit, func(ctx context.Context, _ func()) (T, error) { return call(ctx) }, late)
}

// patientlyStepping is patiently for a call of many steps: after each the call
// says so, and has the whole time again.
func patientlyStepping[T any](ctx context.Context, limit time.Duration, call func(ctx context.Context, step func()) (T, error), late func(T)) (T, error) {
	bound, cancel := context.WithCancelCause(ctx)
	overdue := time.AfterFunc(limit, func() { cancel(context.DeadlineExceeded) })
	type answer struct {
		value T
		err   error
	}
	answers := make(chan answer)
	go func() {
		defer cancel(nil)
		defer overdue.Stop()
		value, err := call(bound, func() { overdue.Reset(limit) })
		select {
		case answers <- answer{value, err}:
		case <-bound.Done():
			late(value)
		}
	}()
	select {
	case a := <-answers:
		return a.value, a.err
	case <-bound.Done():
	}
	var none T
	if ctx.Err() != nil {
		return none, context.Cause(ctx)
	}
	return none, fmt.Errorf("%w: nothing came back for %s", offload.ErrDriveHung, limit)
}

// patientVolumes are Volumes whose media are given up when they do not answer
// to being opened or let go, so that one that hangs stops none of the others.
// What was given up still counts as mounted until it has come back. The vigil counts the
// calls into what they open.
type patientVolumes struct {
	Volumes
	limit   time.Duration
	mounted *mounted
	vigil   *vigil
}

func (v patientVolumes) Card(ctx context.Context, dev udev.Device) (*Opened, error) {
	return v.open(ctx, dev, func(ctx context.Context) (*Opened, error) {
		o, err := v.Volumes.Card(ctx, dev)
		if err != nil {
			return nil, err
		}
		watch := v.vigil.watch(dev)
		o.watch, o.FS = watch, steppingFS{o.FS, watch.around}
		if o.Medium != nil {
			o.Medium = watchedMedium{o.Medium, watch}
		}
		release := o.Release
		o.Release = func(ctx context.Context) error {
			defer v.vigil.unwatch(watch)
			defer watch.around()()
			return release(ctx)
		}
		return o, nil
	})
}

func (v patientVolumes) Drive(ctx context.Context, dev udev.Device, readOnly bool) (*Opened, error) {
	return v.open(ctx, dev, func(ctx context.Context) (*Opened, error) { return v.counted(v.Volumes.Drive(ctx, dev, readOnly)) })
}

func (v patientVolumes) Folder(ctx context.Context, path string) (*Opened, error) {
	return v.open(ctx, udev.Device{}, func(ctx context.Context) (*Opened, error) { return v.counted(v.Volumes.Folder(ctx, path)) })
}

func (v patientVolumes) counted(o *Opened, err error) (*Opened, error) {
	if err == nil {
		o.FS = steppingFS{o.FS, v.vigil.around}
	}
	return o, err
}

func (v patientVolumes) open(ctx context.Context, dev udev.Device, open func(context.Context) (*Opened, error)) (*Opened, error) {
	v.mounted.enter(dev)
	call := func(ctx context.Context) (*Opened, error) {
		o, err := open(ctx)
		if err != nil {
			v.mounted.leave(dev)
			return nil, err
		}
		release := o.Release
		o.Release = func(ctx context.Context) error {
			defer v.mounted.leave(dev)
			return release(ctx)
		}
		return o, nil
	}
	o, err := patiently(ctx, v.limit, call, func(late *Opened) {
		if late != nil {
			// Nobody is left to tell; nothing was written through it.
			_ = late.Release(context.WithoutCancel(ctx))
		}
	})
	if err != nil {
		return nil, err
	}
	release := o.Release
	o.Release = func(ctx context.Context) error {
		_, err := patiently(ctx, v.limit, func(ctx context.Context) (struct{}, error) {
			return struct{}{}, release(ctx)
		}, func(struct{}) {})
		return err
	}
	return o, nil
}
