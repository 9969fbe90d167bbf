package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"bothy/daemon/identity"
	"bothy/daemon/ledger"
	"bothy/daemon/offload"
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
		id.Name, id.Retired = name, false
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

// enrolAttached enrols a drive that the policy has taken. That takes a retired one
// into use again, and says of one that came on another disk that it is the drive.
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
		if err := s.mayEnrol(d, target, name); err != nil {
			answers <- answer{err: fmt.Errorf("%w: %w", ErrRefused, err)}
			return
		}
		s.looking++
		d.identifying = true
		dev, path, box := d.dev, d.path, s.boxName()
		at, _ := s.cfg.Now()
		s.work.Go(func() {
			id, err := patiently(s.life, 2*s.cfg.Patience, func(ctx context.Context) (Identity, error) {
				return enrol(ctx, s.cfg.Volumes, dev, path, name, box, at)
			}, func(Identity) {})
			s.post(func() {
				s.looking--
				d.identifying = false
				s.gaveUp(d, err)
				if err == nil {
					err = s.enrolled(d, id)
				}
				answers <- answer{id.ID, err}
			})
		})
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

// gaveUp takes note when a drive was given up because it does not answer: it is mounted
// still, and must not look as if it could be pulled.
func (s *supervisor) gaveUp(d *drive, err error) {
	if errors.Is(err, offload.ErrDriveHung) && !d.gone {
		d.failing, d.reason = true, err.Error()
		s.raise(state.DriveHung, d.subject(), d.reason)
	}
}

// mayEnrol says what speaks against enrolling a drive under a name.
func (s *supervisor) mayEnrol(d *drive, target, name string) error {
	switch {
	case d == nil:
		return fmt.Errorf("no drive rule has taken %q; see 'bothy explain %s'", target, target)
	case d.users > 0 || d.identifying || d.waits:
		return fmt.Errorf("%s is in use; try again when its light is steady", d.subject())
	}
	if other := s.bearer(d.claims, d); other != nil {
		return fmt.Errorf("it carries the same identity as %s, which is attached too; remove .bothy/drive.toml from whichever is the image", other.subject())
	}
	if other := s.namesInUse(d.claims)[sameName(name)]; other != "" {
		return fmt.Errorf("another drive (id %s) is called %q already; choose another name", other, name)
	}
	return nil
}

// enrolled takes in that a person has enrolled a drive.
func (s *supervisor) enrolled(d *drive, id Identity) error {
	if d.gone {
		return fmt.Errorf("%w: it was enrolled and is gone since", offload.ErrDriveGone)
	}
	if s.retired.has(id.ID) {
		if s.ledger != nil {
			if err := s.ledger.Retire(context.WithoutCancel(s.life), id.ID, false, moment(s.cfg.Now)); err != nil && !errors.Is(err, ledger.ErrUnknown) {
				s.ledgerResult(err)
				return fmt.Errorf("%s stays retired: %w", id.Name, err)
			}
		}
		s.retired.drop(id.ID)
		s.clear(state.DriveRetired, d.subject())
	}
	if d.refused {
		for _, c := range s.cards {
			delete(c.tried, d.token()) // it may be what they wait for
		}
	}
	s.clear(state.DriveNotEnrolled, d.subject())
	s.driveIdentified(d, identified{identity: id, sizeBytes: d.sizeBytes, freeBytes: d.freeBytes, byHand: true})
	return nil
}

func (s *supervisor) findDrive(target string) *drive {
	for _, d := range s.drives {
		if target != "" && (target == d.path || target == d.dev.Name || target == d.dev.Node) {
			return d
		}
	}
	return nil
}

// markRetired writes to a drive that it is retired, if it is that drive still.
func markRetired(ctx context.Context, v Volumes, dev udev.Device, path string, want Identity) error {
	o, err := openDrive(ctx, v, dev, path, false)
	if err != nil {
		return err
	}
	found, err := readIdentity(o)
	switch {
	case err != nil:
	case found.ID != want.ID:
		err = errors.New("it is not the drive it was when it was attached")
	default:
		err = writeIdentity(o, want)
	}
	if rerr := o.Release(context.WithoutCancel(ctx)); err == nil {
		err = rerr
	}
	return err
}
