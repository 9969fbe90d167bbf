package daemon

import (
	"context"
	"slices"

	"bothy/daemon/state"
	"bothy/policy"
	"bothy/udev"
)

// schedule begins what can begin, in the order in which the cards came. A card
// has its turn when it was not looked at yet, or when a drive is there that has
// not had a copy of it. Cards for whose release somebody waits have as many
// jobs at a time as the policy allows and the drives bear; the job of a released
// card takes nobody's turn.
func (s *supervisor) schedule(ctx context.Context) {
	if s.looking > 0 || s.policy == nil || s.power.low() || ctx.Err() != nil {
		return
	}
	waits := false // a card that cannot begin yet is not overtaken
	for _, c := range s.cards {
		if c.void || c.gone || c.job != nil || s.mounted.before(c.dev) {
			continue
		}
		use, fresh := s.drivesFor(c)
		if c.phase != state.CardQueued && !fresh {
			continue
		}
		if s.makeWay(c) {
			continue
		}
		released := c.phase == state.CardDecided && c.verdict == state.Release
		if !released {
			if s.twinAtWork(c) {
				continue
			}
			waits = waits || !s.traffic.room(s.policy.Box.Parallel, lanesOf(use))
			if waits {
				continue
			}
		}
		s.begin(ctx, c, use, released)
	}
}

// drivesFor are the drives that a card is to be copied to now, and whether any
// of them is new to it. A drive that is just getting a copy of the same card,
// which was taken out and put in again, comes later.
func (s *supervisor) drivesFor(c *card) (use []*drive, fresh bool) {
	for _, d := range s.drives {
		if !d.usable() || d.rule.Shuttle() || d.dev.Disk != "" && d.dev.Disk == c.dev.Disk {
			continue
		}
		busy := slices.ContainsFunc(s.twins(c), func(j *job) bool {
			return s.traffic.unserved(j.lane, laneOf(d.dev, d.path, *d.rule).disk)
		})
		if busy {
			continue
		}
		use = append(use, d)
		fresh = fresh || !c.tried[d.token()]
	}
	return use, fresh
}

// twins are the running jobs of what the ledger takes for the same card.
func (s *supervisor) twins(c *card) (list []*job) {
	key := cardKey(c.dev)
	for _, j := range s.running {
		if key != "" && j.cardKey() == key {
			list = append(list, j)
		}
	}
	return list
}

// twinAtWork reports whether such a job still works for its card's release.
func (s *supervisor) twinAtWork(c *card) bool {
	return slices.ContainsFunc(s.twins(c), func(j *job) bool { return !s.traffic.isAside(j.lane) })
}

func lanesOf(drives []*drive) (list []laneDrive) {
	for _, d := range drives {
		list = append(list, laneOf(d.dev, d.path, *d.rule))
	}
	return list
}

func laneOf(dev udev.Device, path string, rule policy.DriveRule) laneDrive {
	return laneDrive{disk: cmpOr(dev.Disk, "folder:"+path), rotating: rotates(dev, rule)}
}

// begin starts a card's job.
func (s *supervisor) begin(ctx context.Context, c *card, use []*drive, released bool) {
	// It ends by a cause that can be told: the card's, or that of park.
	ctx, cancel := context.WithCancelCause(context.WithoutCancel(ctx))
	j := &job{task: s.newTask(cancel, use, released), card: c, dev: c.dev, rule: *c.rule,
		unfit: map[string]bool{}, policy: s.policy, early: newEarly()}
	c.job, c.by, c.copies = j, j.rule, j.box.Copies
	if released {
		j.stands, j.early.basis = c.reason, c.basis
	}
	for _, d := range s.drives {
		if (!d.usable() || uncounted(d.rule)) && d.identity.ID != "" {
			j.unfit[d.identity.ID] = true
		}
	}
	s.mounted.enter(c.dev)
	for _, d := range use {
		c.tried[d.token()] = true
	}
	if c.phase == state.CardQueued {
		c.phase, c.reason = state.CardLooking, "is being looked through"
	}
	s.clear(state.CardGone, c.subject())
	s.clear(state.CardChanged, c.subject())
	s.running = append(s.running, j)
	s.work.Go(func() {
		out := j.run(ctx)
		s.post(func() { s.ended(j, out) })
	})
}

// ended takes in how a job ended.
func (s *supervisor) ended(j *job, out outcome) {
	c := j.card
	c.job = nil
	s.running = slices.DeleteFunc(s.running, func(o *job) bool { return o == j })
	s.taskEnded(&j.task, true)
	for _, o := range s.offloads {
		if slices.Contains(out.offloadIDs, o.ID) {
			o.Running = false
		}
	}
	s.ledgerResult(j.recorderErr)
	if j.recorderErr == nil && len(out.offloadIDs) > 0 && s.ledger != nil {
		s.clear(state.LedgerFailing, "") // it was written all the way
	}
	s.errands.due = true
	s.doubt(c, &out)
	if j.parked {
		s.setAside(c, out)
	} else {
		s.settle(c, out)
	}
	s.decideWaiting(s.life)
	if j.policy != s.policy && (s.outdated(c) || lent(j.drives)) { // also at the end: a light is the last that is seen
		s.requeue(c)
	}
}

// vacated looks into what waited until an older mount in its place was gone.
func (s *supervisor) vacated(ctx context.Context) {
	if s.phase == state.Stopping {
		return
	}
	for _, dev := range s.devices {
		if dev.waits && !s.mounted.before(dev.Device) {
			dev.waits = false
			s.decide(ctx, dev)
		}
	}
	for _, d := range s.drives {
		if d.waits && !s.mounted.before(d.dev) {
			d.waits = false
			s.identify(ctx, d)
		}
	}
}
