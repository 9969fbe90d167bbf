package daemon

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"syscall"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
	"bothy/udev"
)

// card is one insertion of one card. It belongs to the supervisor's goroutine.
type card struct {
	dev  udev.Device
	rule *policy.CardRule

	phase     state.CardPhase
	verdict   state.Verdict
	holdKind  state.HoldKind
	reason    string
	offloadID string
	// offloadIDs are those of the job that gave the verdict, which rests on basis
	// when it is a release.
	offloadIDs []string
	basis      basis
	files      int
	bytes      int64
	void       bool // held until it is taken out
	changed    bool // void, since another card was found in its place
	gone       bool
	heldSince  time.Time       // when the hold that stands was first published
	tried      map[string]bool // drive tokens that had their turn
	by         policy.CardRule // the rule as the last job had it
	copies     int             // the number that the last job wanted
	job        *job            // set while it runs
}

// noteHold keeps since when the card has been on hold, at each publication.
func (c *card) noteHold(now time.Time) {
	switch {
	case c.phase != state.CardDecided || c.verdict != state.Hold:
		c.heldSince = time.Time{}
	case c.heldSince.IsZero():
		c.heldSince = now
	}
}

func (c *card) subject() string { return cmpOr(c.dev.Label, c.dev.Name) }

func (s *supervisor) takeCard(dev *device, rule *policy.CardRule) {
	for _, c := range s.cards {
		if c.dev.Name == dev.Name && c.dev.DiskSeq == dev.DiskSeq {
			c.dev, c.rule = dev.Device, rule
			return
		}
	}
	c := &card{dev: dev.Device, rule: rule, phase: state.CardQueued, verdict: state.Hold, tried: map[string]bool{},
		reason: "waits for its turn"}
	if s.blocked[slotOf(dev.Device)] {
		c.void, c.phase, c.holdKind = true, state.CardDecided, state.HoldByFault
		c.reason = "it came into the reader while another card was being copied; take it out and put it in again"
		s.raise(state.CardChanged, c.subject(), c.reason)
	}
	s.cards = append(s.cards, c)
}

// cardLeft takes note that a card is out.
func (s *supervisor) cardLeft(c *card) {
	c.gone = true
	for _, o := range s.offloads {
		if o.Device == c.dev.Name {
			o.Device = ""
		}
	}
	for _, code := range []state.Code{state.MediumUnmountable, state.MediumDirty, state.CardChanged, state.CardUnreadable,
		state.CardEntriesLeft, state.CardHistoryBroken} {
		s.clear(code, c.subject())
		s.clear(code, c.dev.Name)
	}
	if c.verdict != state.Release && c.phase != state.CardDecided {
		s.raise(state.CardGone, c.subject(), "")
	}
}

// outdated reports whether a card was judged by other rules than those in force.
func (s *supervisor) outdated(c *card) bool {
	return s.policy != nil && (c.copies != s.policy.Box.Copies || !reflect.DeepEqual(c.by, *c.rule))
}

// requeue has a card that was decided looked at again.
func (s *supervisor) requeue(c *card) {
	if c.void || c.gone || c.job != nil {
		return
	}
	c.phase, c.verdict, c.holdKind, c.reason = state.CardQueued, state.Hold, state.NoHold, "waits for its turn"
	c.tried = map[string]bool{}
}

// settle makes a job's outcome the card's verdict.
func (s *supervisor) settle(c *card, out outcome) {
	c.files, c.bytes = out.files, out.bytes
	if errors.Is(out.cardErr, offload.ErrCardChanged) && out.verdict != state.Release {
		c.void, c.changed = true, true // leave blocks the slot
		s.raise(state.CardChanged, c.subject(), "")
	}
	s.raiseFindings(c, out)
	for _, o := range s.offloads {
		if slices.Contains(out.offloadIDs, o.ID) {
			o.Verdict, o.Reason = out.verdict, out.reason
			o.Ended, _ = s.cfg.Now()
		}
	}
	if errors.Is(out.cardErr, errStopping) {
		c.reason = out.reason
		return // the next life goes on with it
	}
	was := c.verdict
	c.phase, c.verdict, c.holdKind, c.reason = state.CardDecided, out.verdict, out.holdKind, out.reason
	c.basis, c.offloadIDs = out.basis, out.offloadIDs
	if n := len(out.offloadIDs); n > 0 {
		c.offloadID = out.offloadIDs[n-1]
	}
	if c.gone {
		if out.verdict != state.Release && was != state.Release {
			s.raise(state.CardGone, c.subject(), "")
		}
	} else if out.verdict == state.Release && was != state.Release {
		s.counters.Releases++
	} else if out.verdict == state.Hold {
		s.counters.Holds++
	}
	s.cfg.Log.Info(fmt.Sprintf("verdict: %s: %s", c.verdict, c.reason), "card", c.subject(), "offload", c.offloadID)
}

func (s *supervisor) raiseFindings(c *card, out outcome) {
	for _, f := range out.findings {
		s.raise(f.code, c.subject(), f.detail)
	}
}

// releaseEarly releases a card while slower drives still get their copies; its
// job steps aside for those of other cards.
func (s *supervisor) releaseEarly(j *job, reason string, b basis) {
	c := j.card
	if reason == "" || c.job != j || c.gone || c.verdict == state.Release || s.outdated(c) {
		return
	}
	if why := s.wavers(b, c.copies); why != "" { // a drive was retired while the word was under way
		j.withdraw()
		c.reason = why
		s.noteHold([]string{c.offloadID}, why)
		return
	}
	c.phase, c.verdict, c.holdKind, c.reason = state.CardDecided, state.Release, state.NoHold, reason
	c.basis, c.offloadIDs = b, []string{c.offloadID}
	s.traffic.stepAside(j.lane)
	s.counters.Releases++
	s.cfg.Log.Info("verdict: release: "+reason, "card", c.subject(), "offload", c.offloadID)
}

// takeBack holds a card again that was released, while its job makes up for what
// is missing.
func (s *supervisor) takeBack(j *job, reason string, found []finding) {
	c := j.card
	if c.job != j || c.gone {
		return
	}
	c.phase, c.verdict, c.holdKind, c.reason = state.CardLooking, state.Hold, state.NoHold, reason
	s.noteHold(c.offloadIDs, reason) // now: power may fail before the job ends
	for _, f := range found {
		s.raise(f.code, c.subject(), f.detail)
	}
	s.cfg.Log.Warn("the release is taken back: "+reason, "card", c.subject(), "offload", c.offloadID)
}

// judgeDrive draws the conclusions from what a drive did in a job.
func (s *supervisor) judgeDrive(d *jobDrive) {
	err := d.err
	dr := d.drive
	if err == nil {
		s.clear(state.DriveRefused, dr.subject())
		s.clear(state.DriveGone, dr.subject())
		return
	}
	dr.reason = err.Error()
	switch {
	case dr.gone, errors.Is(err, offload.ErrDriveGone):
		s.raise(state.DriveGone, dr.subject(), err.Error())
	case errors.Is(err, offload.ErrDriveFull):
		dr.full = true
		s.raise(state.DriveFull, dr.subject(), err.Error())
	case errors.Is(err, offload.ErrDriveHung):
		dr.failing = true
		s.raise(state.DriveHung, dr.subject(), err.Error())
	case errors.Is(err, syscall.EROFS): // the kernel's answer to a file system that it found damaged
		dr.failing = true
		s.raise(state.DriveReadOnly, dr.subject(), err.Error())
	case errors.Is(err, offload.ErrRefused):
		s.raise(state.DriveRefused, dr.subject(), err.Error())
	default:
		dr.failing = true
		s.raise(state.DriveFailing, dr.subject(), err.Error())
	}
}
