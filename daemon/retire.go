package daemon

import (
	"context"
	"fmt"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
	"bothy/daemon/status"
)

// retireDrive says what it would mean that a drive left, and with confirm puts it
// out of use. The drive may be away.
func (s *supervisor) retireDrive(ctx context.Context, named string, confirm bool) (*status.Retirement, error) {
	r := &status.Retirement{Below: []status.Leaving{}}
	l := &leaving{ledger: s.ledger, retired: s.retired, disks: map[string][]string{}}
	if err := s.asked(ctx, func(answer func(error)) { answer(s.askedToRetire(named, r, l)) }); err != nil {
		return nil, err
	}
	if err := l.find(ctx, r); err != nil {
		return nil, err
	}
	if !confirm {
		return r, nil
	}
	return r, s.asked(ctx, func(answer func(error)) { s.retire(r, answer) })
}

// asked has the supervisor do something, and waits until it has answered.
func (s *supervisor) asked(ctx context.Context, do func(answer func(error))) error {
	answers := make(chan error, 1)
	s.post(func() { do(func(err error) { answers <- err }) })
	select {
	case err := <-answers:
		return err
	case <-ctx.Done():
		return ctx.Err()
	case <-s.quit:
		return errStopping
	}
}

// askedToRetire finds the drive, and what is known of it and of the others.
func (s *supervisor) askedToRetire(named string, r *status.Retirement, l *leaving) error {
	switch {
	case s.ledger == nil:
		return fmt.Errorf("%w: there is no ledger to note it in", ErrRefused)
	case s.policy == nil:
		return fmt.Errorf("%w: no policy is in force, so it is not known how many copies are needed", ErrRefused)
	}
	known, err := s.driveCalled(named)
	if err != nil {
		return err
	}
	r.DriveID, r.Drive, r.CopiesNeeded, r.Attached = known.ID, known.Name, s.policy.Box.Copies, s.bearer(known.ID, nil) != nil
	r.Before = s.retired.has(known.ID)
	r.Retired = r.Before
	l.driveID, l.copies = known.ID, r.CopiesNeeded
	for _, d := range s.drives {
		if d.usable() && d.dev.Disk != "" {
			l.disks[d.identity.ID] = []string{d.dev.Disk}
		}
	}
	return nil
}

// driveCalled finds a drive that the ledger knows by its id, its name, or where it
// is attached. Of several with one name those in use come first.
func (s *supervisor) driveCalled(named string) (ledger.Drive, error) {
	if d := s.findDrive(named); d != nil {
		if known, ok := s.remember(d.identity.ID); ok {
			return known, nil
		}
		return ledger.Drive{}, fmt.Errorf("%w: %s has no identity that counts: %s", ErrRefused, named, d.reason)
	}
	if known, ok := s.remember(named); ok {
		return known, nil
	}
	for _, old := range []bool{false, true} {
		var list []ledger.Drive
		for _, r := range s.remembered {
			if r.Name == named && s.retired.has(r.ID) == old {
				list = append(list, r)
			}
		}
		switch len(list) {
		case 0:
		case 1:
			return list[0], nil
		default:
			var ids []string
			for _, r := range list {
				ids = append(ids, r.ID)
			}
			return ledger.Drive{}, fmt.Errorf("%w: %w", ErrRefused, severalCalled(named, ids))
		}
	}
	return ledger.Drive{}, fmt.Errorf("%w: no drive %q is known; 'bothy status' lists them", ErrRefused, named)
}

// retire puts a drive out of use. From the note in the ledger on nothing counts
// that it holds; then whatever rested on it is held again, and last the drive
// itself is told, if it is there.
func (s *supervisor) retire(r *status.Retirement, answer func(error)) {
	d := s.bearer(r.DriveID, nil)
	if d != nil && (d.users > 0 || d.identifying || d.waits) {
		answer(fmt.Errorf("%w: %s is in use; try again when its light is steady, or pull it and try then", ErrRefused, d.subject()))
		return
	}
	if err := s.ledger.Retire(context.WithoutCancel(s.life), r.DriveID, true, moment(s.cfg.Now)); err != nil {
		s.ledgerResult(err)
		answer(err)
		return
	}
	s.retired.add(r.DriveID, r.Drive)
	r.Retired = true
	s.reviseReleases()
	s.recallDrives(context.WithoutCancel(s.life))
	s.errands.anew()
	s.cfg.Log.Info("drive is retired", "drive", r.Drive)
	if d == nil {
		s.checkNames()
		answer(nil)
		return
	}
	s.retiredArrived(d)
	s.clear(state.DriveBehind, d.subject())
	s.checkNames()
	s.mark(d, r, answer)
}

// mark writes on an attached drive that it is retired, so that other boxes know.
func (s *supervisor) mark(d *drive, r *status.Retirement, answer func(error)) {
	s.looking++
	d.identifying = true
	dev, path, want := d.dev, d.path, d.identity
	want.Retired = true
	s.work.Go(func() {
		// A drive that hangs is given up: cards wait for nobody who is just looking.
		_, err := patiently(s.life, 2*s.cfg.Patience, func(ctx context.Context) (struct{}, error) {
			return struct{}{}, markRetired(ctx, s.cfg.Volumes, dev, path, want)
		}, func(struct{}) {})
		s.post(func() {
			s.looking--
			d.identifying = false
			s.gaveUp(d, err)
			if err != nil {
				r.NotMarked = err.Error()
			} else {
				d.identity = want
			}
			answer(nil)
		})
	})
}
