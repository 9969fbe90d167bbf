package daemon

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
	"bothy/udev"
)

// takeSnapshot compares what devices there are with what there was.
func (s *supervisor) takeSnapshot(ctx context.Context, snap udev.Snapshot) {
	change := udev.Diff(s.snapshot.Devices, snap.Devices)
	s.snapshot = snap
	s.counters.DeviceEvents, s.counters.DeviceRescans, s.counters.DeviceReconnects = snap.Events, snap.Rescans, snap.Reconnects
	if snap.Lost != nil {
		s.raise(state.DeviceWatchLost, "", snap.Lost.Error())
	} else {
		s.clear(state.DeviceWatchLost, "")
	}
	arrived := map[string]udev.Device{}
	for _, d := range change.Added {
		arrived[d.Name] = d
	}
	for _, d := range change.Removed {
		delete(s.blocked, slotOf(d))
	}
	for _, d := range change.Removed {
		s.leave(d, arrived[d.Disk])
	}
	for _, d := range change.Added {
		s.arrive(ctx, d)
	}
	for _, d := range change.Changed {
		s.change(ctx, d)
	}
	s.watchFolders(ctx)
}

// slotOf names the place of a device; the partitions of one disk share it.
func slotOf(d udev.Device) string { return cmpOr(d.Slot, d.Disk) }

// leave takes note that an insertion is over. next is the whole disk that has
// come in its place, if any.
func (s *supervisor) leave(d udev.Device, next udev.Device) {
	delete(s.devices, d.Name)
	for _, c := range s.cards {
		if c.dev.Name != d.Name || c.dev.DiskSeq != d.DiskSeq {
			continue
		}
		free := c.job == nil
		if j := c.job; j != nil {
			s.releaseEarly(j, j.releasedEarly(), j.releaseBasis()) // its word may still be under way
			free = j.cardFree()
		}
		// A card that is released already may be taken out while slower drives
		// are still at work, and another put in.
		swapped := next.SizeBytes > 0 && next.DiskSeq != d.DiskSeq && c.verdict != state.Release
		if swapped && (!free || c.changed) {
			s.blocked[slotOf(d)] = true
		}
		if !free {
			cause := offload.ErrCardGone
			if swapped {
				cause = offload.ErrCardChanged
			}
			c.job.cancel(cause)
		}
		s.cardLeft(c)
	}
	for _, dr := range s.drives {
		if dr.path == "" && dr.dev.Name == d.Name && dr.dev.DiskSeq == d.DiskSeq {
			s.driveLeft(dr)
		}
	}
	s.cards = slices.DeleteFunc(s.cards, func(c *card) bool { return c.gone })
	s.drives = slices.DeleteFunc(s.drives, func(d *drive) bool { return d.gone })
}

// arrive decides about an insertion.
func (s *supervisor) arrive(ctx context.Context, d udev.Device) {
	dev := &device{Device: d}
	s.devices[d.Name] = dev
	s.decide(ctx, dev)
}

// change takes in new facts about an insertion that goes on.
func (s *supervisor) change(ctx context.Context, d udev.Device) {
	dev, ok := s.devices[d.Name]
	if !ok {
		s.arrive(ctx, d)
		return
	}
	dev.Device = d
	s.undecided[d.Name] = true // loop has it decided about
}

func (s *supervisor) atWork(name string) bool {
	for _, c := range s.cards {
		if c.dev.Name == name && c.job != nil {
			return true
		}
	}
	for _, d := range s.drives {
		if d.dev.Name == name && (d.users > 0 || d.identifying) {
			return true
		}
	}
	return false
}

// decideAgain asks the policy about every device anew.
func (s *supervisor) decideAgain(ctx context.Context) {
	for name := range s.devices {
		s.undecided[name] = true
	}
	s.decideWaiting(ctx)
	s.watchFolders(ctx)
}

// decideWaiting decides about the devices that are to be asked about, but for those
// that are worked on: their turn comes when that ends.
func (s *supervisor) decideWaiting(ctx context.Context) {
	if s.phase == state.Stopping {
		return
	}
	for _, name := range slices.Sorted(maps.Keys(s.undecided)) {
		if s.atWork(name) {
			continue
		}
		delete(s.undecided, name)
		if dev, ok := s.devices[name]; ok {
			s.decide(ctx, dev)
		}
	}
}

// system reports whether a device lies on a disk of the running system.
func (s *supervisor) system(d udev.Device) (bool, error) {
	disks, err := s.cfg.SystemDisks()
	if err != nil {
		return false, err
	}
	seen := map[string]bool{}
	var below func(name string) bool
	below = func(name string) bool {
		if seen[name] {
			return false
		}
		seen[name] = true
		if disks[name] {
			return true
		}
		for _, other := range s.snapshot.Devices {
			if other.Name != name {
				continue
			}
			if other.Disk != name && below(other.Disk) {
				return true
			}
			for _, slave := range other.Slaves {
				if below(slave) {
					return true
				}
			}
		}
		return false
	}
	return below(d.Name) || below(d.Disk), nil
}

// decide asks the policy what a device is, and acts on the answer.
func (s *supervisor) decide(ctx context.Context, dev *device) {
	if !dev.Initialized && dev.SizeBytes > 0 {
		s.setDecision(dev, policy.Decision{}, "looking", "waits for udev to describe it")
		return
	}
	system, err := s.system(dev.Device)
	if err != nil {
		s.setDecision(dev, policy.Decision{}, "left-alone", "left alone: it cannot be told whether it holds the running system: "+err.Error())
		return
	}
	facts := factsOf(dev.Device)
	facts.RunningSystem = system
	s.act(ctx, dev, s.policy.Decide(facts), facts)
}

func (s *supervisor) act(ctx context.Context, dev *device, d policy.Decision, facts policy.Facts) {
	switch d.Outcome {
	case policy.OutcomeCard:
		s.setDecision(dev, d, "card", d.Sentence)
		s.dropDrive(dev)
		s.takeCard(dev, d.Card)
	case policy.OutcomeDrive:
		s.setDecision(dev, d, "drive", d.Sentence)
		s.dropCard(dev)
		s.takeDrive(ctx, dev, d.Drive)
	case policy.OutcomeNeedsTree:
		s.setDecision(dev, d, "looking", d.Sentence)
		s.lookInside(ctx, dev, facts)
	default:
		s.setDecision(dev, d, "left-alone", d.Sentence)
		s.dropCard(dev)
		s.dropDrive(dev)
	}
}

func (s *supervisor) setDecision(dev *device, d policy.Decision, outcome, sentence string) {
	if dev.outcome != outcome || dev.sentence != sentence {
		s.cfg.Log.Info(sentence, "device", dev.Name, "label", dev.Label, "decision", outcome)
	}
	dev.decision, dev.outcome, dev.sentence = d, outcome, sentence
}

func (s *supervisor) dropCard(dev *device) {
	for _, c := range s.cards {
		if c.dev.Name == dev.Name && c.job == nil {
			s.cardLeft(c)
		}
	}
	s.cards = slices.DeleteFunc(s.cards, func(c *card) bool { return c.gone })
}

func (s *supervisor) dropDrive(dev *device) {
	for _, d := range s.drives {
		if d.dev.Name == dev.Name && d.path == "" && d.users == 0 {
			s.driveLeft(d)
		}
	}
	s.drives = slices.DeleteFunc(s.drives, func(d *drive) bool { return d.gone })
}

// lookInside mounts a medium as a card, so that nothing is written to it, to
// see what it holds.
func (s *supervisor) lookInside(ctx context.Context, dev *device, facts policy.Facts) {
	if dev.waits = s.mounted.before(dev.Device); dev.waits {
		dev.sentence = "waits until what was in its place before is let go"
		return
	}
	s.looking++
	target, rules := dev.Device, s.policy
	s.work.Go(func() {
		decision, err := s.decideInside(ctx, target, rules, facts)
		s.post(func() {
			s.looking--
			now, ok := s.devices[target.Name]
			if !ok || now.DiskSeq != target.DiskSeq {
				return
			}
			if s.policy != rules {
				s.decide(ctx, now) // it was read again meanwhile
				return
			}
			if err != nil {
				s.raise(state.MediumUnmountable, target.Name, err.Error())
				s.setDecision(now, decision, "left-alone", fmt.Sprintf("left alone: a rule asks what it holds, and it cannot be mounted: %v", err))
				return
			}
			s.act(ctx, now, decision, facts)
		})
	})
}

func (s *supervisor) decideInside(ctx context.Context, dev udev.Device, rules *policy.Policy, facts policy.Facts) (policy.Decision, error) {
	opened, err := s.openCard(ctx, dev) // not what somebody else has mounted: it would become read-only for them
	if err != nil {
		return policy.Decision{}, err
	}
	facts.Tree = opened.Root.FS()
	_, done := opened.stepping()
	decision := rules.Decide(facts)
	done()
	return decision, opened.Release(context.WithoutCancel(ctx))
}

// factsOf is what the policy may know about a device.
func factsOf(d udev.Device) policy.Facts {
	return policy.Facts{
		Label: d.Label, UUID: d.UUID, Serial: d.Serial, Vendor: d.Vendor, Model: d.Model, Slot: d.Slot,
		FS: d.FSType, Bus: d.Bus, SizeBytes: d.SizeBytes, Removable: d.Removable, ReadOnly: d.ReadOnly,
		Properties: d.Properties, HasFileSystem: d.FSType != "", HasPartitions: len(d.Partitions) > 0,
	}
}
