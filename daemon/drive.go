package daemon

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"bothy/daemon/health"
	"bothy/daemon/identity"
	"bothy/daemon/ledger"
	"bothy/daemon/state"
	"bothy/policy"
	"bothy/udev"
)

// drive is one attached drive. It belongs to the supervisor's goroutine.
type drive struct {
	dev  udev.Device
	path string // for a folder; dev is empty then
	rule *policy.DriveRule

	identity    Identity // empty until identified
	claims      string   // the id that it carries, also when it is refused
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
	health      health.Reading
	askedAt     time.Time // how it is
	asking      bool
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

// inUse: pulling it would hurt, or might. A call that was given up may have it mounted
// still; of one that is out of order its light says as much.
func (s *supervisor) inUse(d *drive) bool {
	return d.users > 0 || d.identifying || d.usable() && s.mounted.still(d.dev)
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
			before := uncounted(d.rule)
			d.dev, d.rule = dev.Device, rule
			if d.identity.ID == "" && !d.identifying {
				s.identify(ctx, d)
			}
			if uncounted(rule) != before {
				s.counting(d)
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
		state.DriveReadOnly, state.DriveBehind, state.DriveRefused, state.DriveHung, state.DriveRetired, state.DriveNameClash, state.DriveUnwell, state.MediumUnmountable} {
		s.clear(code, d.subject())
		s.clear(code, d.dev.Name)
	}
	s.checkNames()
	s.recallDrives(context.Background())
}

// identified is what a look at a drive brought.
type identified struct {
	identity  Identity
	sizeBytes int64
	freeBytes int64
	enrolled  bool              // just now
	ledgers   map[string]string // that boxes left on it, by name
	ownDisk   string            // why a folder is not enrolled unasked, if it is not
	byHand    bool              // somebody says that it is this drive
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
	dev, path, rule, box, names := d.dev, d.path, *d.rule, s.boxName(), s.namesInUse("")
	s.work.Go(func() {
		found, err := patiently(ctx, 2*s.cfg.Patience, func(ctx context.Context) (identified, error) {
			return lookAtDrive(ctx, s.cfg, dev, path, rule, box, names), nil
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

func lookAtDrive(ctx context.Context, cfg Config, dev udev.Device, path string, rule policy.DriveRule, box string, names map[string]string) (found identified) {
	o, err := openDrive(ctx, cfg.Volumes, dev, path, true)
	if err != nil {
		return identified{err: err}
	}
	found.identity, found.err = readIdentity(o)
	if found.err == nil {
		found.ledgers = ledgersOn(o)
	}
	if errors.Is(found.err, errNotEnrolled) && path != "" && rule.Enrol == policy.EnrolAuto {
		found.ownDisk = onOwnDisk(cfg, o)
	}
	found.freeBytes, found.sizeBytes, _ = o.space() // shown only; preflight asks again
	if err := o.Release(context.WithoutCancel(ctx)); err != nil && (found.err == nil || errors.Is(found.err, errNotEnrolled)) {
		found.err = err // it may be mounted still
	}
	if !errors.Is(found.err, errNotEnrolled) || rule.Enrol != policy.EnrolAuto || found.ownDisk != "" {
		return found
	}
	at, _ := cfg.Now()
	found.enrolled = true
	found.identity, found.err = enrol(ctx, cfg.Volumes, dev, path, freeName(autoName(dev, rule), names), box, at)
	return found
}

// onOwnDisk says why a folder is not enrolled unasked: it lies on a disk of the running
// system, as a mount point does whose own disk is not mounted. Empty: it does not.
func onOwnDisk(cfg Config, o *Opened) string {
	system, err := cfg.SystemDisks()
	if err != nil {
		return fmt.Sprintf("which disks are the running system's is not known: %v", err)
	}
	for _, disk := range o.Disks {
		if system[disk] {
			return fmt.Sprintf("it lies on %s, a disk of the running system: see whether its own disk is mounted there", disk)
		}
	}
	return ""
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
