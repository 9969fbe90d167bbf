package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// driveIdentified takes in which drive a drive is. Only one that is in order gets
// its identity, and with it copies.
func (s *supervisor) driveIdentified(d *drive, found identified) {
	d.sizeBytes, d.freeBytes = found.sizeBytes, found.freeBytes
	d.refused, d.reason = false, ""
	switch {
	case errors.Is(found.err, errNotEnrolled):
		d.refused, d.reason = true, "waits to be enrolled"
		detail := "run 'bothy enrol " + cmpOr(d.path, d.dev.Node) + " --name NAME'"
		if found.ownDisk != "" {
			d.reason += ": " + found.ownDisk
			detail = found.ownDisk + "; if this folder is meant, " + detail
		}
		s.raise(state.DriveNotEnrolled, d.subject(), detail)
		return
	case errors.Is(found.err, volume.ErrReadOnly):
		d.refused, d.reason = true, found.err.Error()
		s.raise(state.DriveReadOnly, d.subject(), found.err.Error())
		return
	case found.err != nil:
		d.refused, d.reason = true, found.err.Error()
		s.raise(state.MediumUnmountable, d.subject(), found.err.Error())
		return
	}
	for _, code := range []state.Code{state.DriveNotEnrolled, state.DriveReadOnly, state.MediumUnmountable} {
		s.clear(code, d.subject())
	}
	d.claims = found.identity.ID
	if why := s.cloned(d, found); why != "" {
		d.refused, d.reason = true, why
		s.raise(state.DriveCloned, d.subject(), why)
		return
	}
	s.clear(state.DriveCloned, d.subject())
	s.nameDrive(d, found.identity)
	if found.identity.Retired || s.retired.has(d.identity.ID) {
		s.retiredArrived(d)
		return
	}
	s.errands.anew()
	s.cfg.Log.Info("drive is ready", "drive", d.identity.Name, "device", d.dev.Name, "free", offload.Bytes(d.freeBytes))
	s.noteDrive(d)
	s.counting(d)
	s.welcome(d, found)
	s.checkNames()
	s.askHealth(d)
	if s.copyCount[d.identity.ID] == 0 && !d.rule.Shuttle() {
		s.errands.looked[d.token()] = true // there is nothing to look for
	}
}

// cloned says why a drive is not the one whose identity it carries; empty when it
// is, as far as can be told. Two that are attached are two. One that comes on
// another disk than it was on may be an image of it: only a person knows.
func (s *supervisor) cloned(d *drive, found identified) string {
	if other := s.bearer(found.identity.ID, d); other != nil {
		return fmt.Sprintf("it carries the same identity as %s, which is attached too", other.subject())
	}
	known, ok := s.remember(found.identity.ID)
	if !ok || found.byHand || known.DiskKey == "" || d.dev.DiskKey == "" || known.DiskKey == d.dev.DiskKey {
		return ""
	}
	return fmt.Sprintf("it carries the identity of %s, which was on another disk when it was last here; if it is that drive, in another case perhaps, run 'bothy enrol %s --name NAME', and if it is an image of it, remove .bothy/drive.toml from it first",
		known.Name, cmpOr(d.path, d.dev.Node))
}

// bearer is another attached drive that is in order, or retired, and has this id.
func (s *supervisor) bearer(id string, but *drive) *drive {
	for _, other := range s.drives {
		if other != but && !other.gone && id != "" && other.identity.ID == id {
			return other
		}
	}
	return nil
}

// remember finds what the ledger knows of a drive.
func (s *supervisor) remember(id string) (ledger.Drive, bool) {
	i := slices.IndexFunc(s.remembered, func(r ledger.Drive) bool { return r.ID == id })
	if i < 0 {
		return ledger.Drive{}, false
	}
	return s.remembered[i], true
}

// retiredArrived takes in that a drive that is out of use is attached. When only
// the drive itself says so, another box has retired it.
func (s *supervisor) retiredArrived(d *drive) {
	d.refused = true
	d.reason = "it is retired; 'bothy enrol " + cmpOr(d.path, d.dev.Node) + " --name NAME' takes it into use again"
	s.raise(state.DriveRetired, d.subject(), "")
	s.clear(state.CopyDamaged, d.subject()) // nobody heals it
	s.noteDrive(d)
	if s.retired.has(d.identity.ID) {
		return
	}
	if s.ledger != nil {
		s.ledgerResult(s.ledger.Retire(context.WithoutCancel(s.life), d.identity.ID, true, moment(s.cfg.Now)))
	}
	s.retired.add(d.identity.ID, d.identity.Name)
	s.recallDrives(context.WithoutCancel(s.life))
	s.reviseReleases()
}
