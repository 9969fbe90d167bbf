package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"bothy/daemon/identity"
	"bothy/daemon/state"
	"bothy/udev"
)

// enrol writes an identity to a drive, keeping the id of one that has any.
func enrol(ctx context.Context, v Volumes, dev udev.Device, path, name, box string, at time.Time) (Identity, error) {
	o, err := openDrive(ctx, v, dev, path, false)
	if err != nil {
		return Identity{}, err
	}
	id, err := enrolOpened(o, name, box, at)
	if rerr := o.Release(context.WithoutCancel(ctx)); err == nil {
		err = rerr
	}
	return id, err
}

func enrolOpened(o *Opened, name, box string, at time.Time) (Identity, error) {
	id, err := readIdentity(o)
	switch {
	case errors.Is(err, errNotEnrolled):
		id = identity.New(name, box, at)
	case err != nil:
		return Identity{}, err
	default:
		id.Name = name
	}
	return id, writeIdentity(o, id)
}

// EnrolRequest names a drive to be enrolled by hand.
type EnrolRequest struct{ Target, Name string }

// Enrol enrols the drive that is the folder Target, when no daemon does it.
func Enrol(_ context.Context, r EnrolRequest) (id string, err error) {
	if err := identity.CheckName(r.Name); err != nil {
		return "", fmt.Errorf("%w: %w", ErrRefused, err)
	}
	info, err := os.Stat(r.Target)
	if err != nil {
		return "", fmt.Errorf("%w: %w", ErrRefused, err)
	}
	if !info.IsDir() {
		return "", fmt.Errorf("%w: %s is no folder; devices are enrolled by the running daemon", ErrRefused, r.Target)
	}
	o, err := openFolder(r.Target)
	if err != nil {
		return "", err
	}
	host, _ := os.Hostname() // a box without a name enrols all the same
	now, _ := wallClock()
	found, err := enrolOpened(o, r.Name, host, now)
	if rerr := o.Release(context.Background()); err == nil {
		err = rerr
	}
	return found.ID, err
}

// enrolAttached enrols a drive that the policy has taken.
func (s *supervisor) enrolAttached(ctx context.Context, target, name string) (string, error) {
	if err := identity.CheckName(name); err != nil {
		return "", fmt.Errorf("%w: %w", ErrRefused, err)
	}
	type answer struct {
		id  string
		err error
	}
	answers := make(chan answer, 1)
	s.post(func() {
		d := s.findDrive(target)
		switch {
		case d == nil:
			answers <- answer{err: fmt.Errorf("%w: no drive rule has taken %q; see 'bothy explain %s'", ErrRefused, target, target)}
		case d.users > 0 || d.identifying || d.waits:
			answers <- answer{err: fmt.Errorf("%w: %s is in use; try again when its light is steady", ErrRefused, d.subject())}
		default:
			s.looking++
			d.identifying = true
			dev, path, box := d.dev, d.path, s.boxName()
			at, _ := s.cfg.Now()
			s.work.Go(func() {
				id, err := enrol(s.life, s.cfg.Volumes, dev, path, name, box, at)
				s.post(func() {
					s.looking--
					d.identifying = false
					if err == nil && !d.gone {
						s.clear(state.DriveNotEnrolled, d.subject())
						s.driveIdentified(d, identified{identity: id, sizeBytes: d.sizeBytes, freeBytes: d.freeBytes})
					}
				})
				answers <- answer{id.ID, err}
			})
		}
	})
	select {
	case a := <-answers:
		return a.id, a.err
	case <-ctx.Done():
		return "", ctx.Err()
	case <-s.quit:
		return "", errStopping
	}
}

func (s *supervisor) findDrive(target string) *drive {
	for _, d := range s.drives {
		if target != "" && (target == d.path || target == d.dev.Name || target == d.dev.Node) {
			return d
		}
	}
	return nil
}
