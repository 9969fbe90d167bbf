package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"bothy/daemon/identity"
	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/status"
	"bothy/daemon/volume"
	"bothy/policy"
	"bothy/udev"
)

// drive is one attached drive. It belongs to the supervisor's goroutine.
type drive struct {
	dev  udev.Device
	path string // for a folder; dev is empty then
	rule *policy.DriveRule

	identity    Identity // empty until identified
	identifying bool
	waits       bool // to be identified, once what was in its place is let go
	share       *share
	users       int // jobs that have it mounted
	gone        bool
	refused     bool
	full        bool
	failing     bool
	reason      string
	sizeBytes   int64
	freeBytes   int64
}

// token names this attachment: the same drive plugged in again is another one.
func (d *drive) token() string {
	if d.path != "" {
		return "folder:" + d.path
	}
	return fmt.Sprintf("%s#%d", d.dev.Name, d.dev.DiskSeq)
}

// usable reports whether copies may go to the drive.
func (d *drive) usable() bool {
	return d.identity.ID != "" && !d.identifying && !d.refused && !d.failing && !d.gone
}

func (d *drive) subject() string {
	if d.identity.Name != "" {
		return d.identity.Name
	}
	if d.path != "" {
		return d.path
	}
	return d.dev.Name
}

// takeDrive begins to use a device as a drive.
func (s *supervisor) takeDrive(ctx context.Context, dev *device, rule *policy.DriveRule) {
	for _, d := range s.drives {
		if d.path == "" && d.dev.Name == dev.Name && d.dev.DiskSeq == dev.DiskSeq {
			d.dev, d.rule = dev.Device, rule
			if d.identity.ID == "" && !d.identifying {
				s.identify(ctx, d)
			}
			return
		}
	}
	d := &drive{dev: dev.Device, rule: rule, share: newShare()}
	s.drives = append(s.drives, d)
	s.identify(ctx, d)
}

func (s *supervisor) driveLeft(d *drive) {
	d.gone = true
	delete(s.errands.looked, d.token())
	for _, code := range []state.Code{state.DriveNotEnrolled, state.DriveCloned, state.DriveFull, state.DriveFailing,
		state.DriveReadOnly, state.DriveBehind, state.DriveRefused, state.DriveHung, state.MediumUnmountable} {
		s.clear(code, d.subject())
		s.clear(code, d.dev.Name)
	}
	s.recallDrives(context.Background())
}

// identified is what a look at a drive brought.
type identified struct {
	identity  Identity
	sizeBytes int64
	freeBytes int64
	enrolled  bool // just now
	err       error
}

// identify mounts a drive shortly to see which one it is, and enrols it when
// its rule says so.
func (s *supervisor) identify(ctx context.Context, d *drive) {
	if d.waits = s.mounted.before(d.dev); d.waits {
		d.reason = "waits until what was in its place before is let go"
		return
	}
	d.identifying = true
	s.looking++
	dev, path, rule, box := d.dev, d.path, *d.rule, s.boxName()
	s.work.Go(func() {
		found, err := patiently(ctx, 2*s.cfg.Patience, func(ctx context.Context) (identified, error) {
			return lookAtDrive(ctx, s.cfg, dev, path, rule, box), nil
		}, func(identified) {})
		if err != nil {
			found = identified{err: err}
		}
		s.post(func() {
			s.looking--
			d.identifying = false
			if !d.gone {
				s.driveIdentified(d, found)
			}
		})
	})
}

func openDrive(ctx context.Context, v Volumes, dev udev.Device, path string, readOnly bool) (*Opened, error) {
	if path != "" {
		return v.Folder(ctx, path)
	}
	return v.Drive(ctx, dev, readOnly)
}

func lookAtDrive(ctx context.Context, cfg Config, dev udev.Device, path string, rule policy.DriveRule, box string) (found identified) {
	o, err := openDrive(ctx, cfg.Volumes, dev, path, true)
	if err != nil {
		return identified{err: err}
	}
	found.identity, found.err = readIdentity(o)
	found.freeBytes, found.sizeBytes, _ = o.space() // shown only; preflight asks again
	if err := o.Release(context.WithoutCancel(ctx)); err != nil && (found.err == nil || errors.Is(found.err, errNotEnrolled)) {
		found.err = err // it may be mounted still
	}
	if !errors.Is(found.err, errNotEnrolled) || rule.Enrol != policy.EnrolAuto {
		return found
	}
	at, _ := cfg.Now()
	found.enrolled = true
	found.identity, found.err = enrol(ctx, cfg.Volumes, dev, path, autoName(dev, rule), box, at)
	return found
}

// autoName calls a drive by its label, or by its rule.
func autoName(dev udev.Device, rule policy.DriveRule) string {
	name := strings.TrimSpace(dev.Label)
	if name == "" {
		name = rule.Name
		if dev.Serial != "" {
			name += "-" + dev.Serial
		}
	}
	if runes := []rune(name); len(runes) > 64 {
		name = string(runes[:64])
	}
	if identity.CheckName(name) != nil {
		return rule.Name
	}
	return name
}

func (s *supervisor) driveIdentified(d *drive, found identified) {
	d.sizeBytes, d.freeBytes = found.sizeBytes, found.freeBytes
	d.refused, d.reason = false, ""
	switch {
	case errors.Is(found.err, errNotEnrolled):
		d.refused, d.reason = true, "waits to be enrolled"
		s.raise(state.DriveNotEnrolled, d.subject(), "run 'bothy enrol "+cmpOr(d.path, d.dev.Node)+" --name NAME'")
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
	s.clear(state.DriveNotEnrolled, d.subject())
	for _, other := range s.drives {
		if other != d && !other.gone && other.identity.ID == found.identity.ID {
			d.refused, d.reason = true, fmt.Sprintf("it carries the same identity as %s, which is attached too", other.subject())
			s.raise(state.DriveCloned, d.subject(), d.reason)
			return
		}
	}
	d.identity = found.identity
	if !found.enrolled {
		s.welcome(d)
	}
	s.errands.anew()
	s.cfg.Log.Info("drive is ready", "drive", d.identity.Name, "device", d.dev.Name, "free", offload.Bytes(d.freeBytes))
	s.noteDrive(d)
	if s.copyCount[d.identity.ID] == 0 {
		s.errands.looked[d.token()] = true // there is nothing to look for
	}
}

// welcome has a drive that this box has never met, and another has enrolled, tell
// what it knows.
func (s *supervisor) welcome(d *drive) {
	if s.ledger == nil || slices.ContainsFunc(s.remembered, func(r ledger.Drive) bool { return r.ID == d.identity.ID }) {
		return
	}
	name := d.identity.Name
	s.errands.asked = append(s.errands.asked, errandRequest{d.identity.ID, func(r *status.Recovered, err error) {
		if err != nil {
			s.cfg.Log.Warn("what a drive tells of other boxes could not be read", "drive", name, "err", err)
			return
		}
		s.cfg.Log.Info("taken over from a drive that was new here", "drive", name, "offloads", r.Offloads, "copies", r.Copies, "not read", len(r.Refused))
	}})
}

func (s *supervisor) noteDrive(d *drive) {
	if s.ledger == nil {
		return
	}
	now := moment(s.cfg.Now)
	key := d.dev.DiskKey
	if !keepable(key) {
		key = ""
	}
	s.ledgerResult(s.ledger.PutDrive(context.Background(), ledger.Drive{
		ID: d.identity.ID, Name: d.identity.Name, DiskKey: key, FSType: d.dev.FSType, FSUUID: d.dev.UUID,
		Label: d.dev.Label, Box: d.identity.Box, SizeBytes: d.sizeBytes, FreeBytes: d.freeBytes, FirstSeen: now, LastSeen: now,
	}))
	s.recallDrives(context.Background())
}

func cmpOr(a, b string) string {
	if a != "" {
		return a
	}
	return b
}
