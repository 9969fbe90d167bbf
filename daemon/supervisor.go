package daemon

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
	"bothy/udev"
)

// supervisor owns the truth. Its fields belong to the goroutine of loop; other
// goroutines hand it functions through post.
type supervisor struct {
	cfg       Config
	publisher state.Publisher
	ledger    *ledger.Ledger // nil when it cannot be had at all
	started   time.Time
	stop      context.CancelFunc // ends the daemon as a signal would
	calls     chan func()
	life      context.Context // of the daemon; requests end sooner
	quit      chan struct{}   // closed when loop no longer takes calls
	work      sync.WaitGroup  // every goroutine that posts

	phase      state.Phase
	policy     *policy.Policy // nil while there is none to go by
	policyInfo state.Policy
	snapshot   udev.Snapshot
	devices    map[string]*device // by kernel name
	cards      []*card            // in order of arrival
	drives     []*drive           // in order of arrival
	remembered []ledger.Drive     // as last read from the ledger
	blocked    map[string]bool    // slots that must be emptied first
	offloads   []*state.Offload   // newest first
	conditions map[conditionKey]state.Condition
	counters   state.Counters
	running    *job           // at most one
	looking    int            // media being mounted to be decided or identified
	copyCount  map[string]int // finished copies by drive id
}

// device is one insertion of one block device and what was decided about it.
type device struct {
	udev.Device
	decision policy.Decision
	outcome  string // state.Device.Decision
	sentence string
}

type conditionKey struct {
	code    state.Code
	subject string
}

func newSupervisor(cfg Config) *supervisor {
	now, _ := cfg.Now()
	return &supervisor{
		cfg: cfg, started: now, phase: state.Starting,
		calls: make(chan func(), 64), quit: make(chan struct{}),
		devices: map[string]*device{}, blocked: map[string]bool{}, conditions: map[conditionKey]state.Condition{},
	}
}

func (s *supervisor) close() {
	if s.ledger != nil {
		s.ledger.Close() // everything in it is durable already
	}
}

// run is the daemon's life.
func (s *supervisor) run(ctx context.Context) error {
	// Windows and the device watch end after the work, so that a stop shows.
	ctx, s.stop = context.WithCancel(ctx)
	defer s.stop()
	s.life = ctx
	outer, closeWindows := context.WithCancel(context.WithoutCancel(ctx))
	defer closeWindows()
	s.checkSelf(ctx)
	s.loadPolicy()
	s.publish()
	snapshots := make(chan udev.Snapshot)
	s.work.Go(func() {
		if err := s.cfg.Devices.Watch(outer, snapshots); err != nil && outer.Err() == nil {
			s.post(func() { s.raise(state.DeviceWatchLost, "", err.Error()) })
		}
	})
	s.startWindows(outer)
	s.loop(ctx, snapshots)
	s.cfg.Notify("STOPPING=1")
	s.park(snapshots)
	closeWindows()
	close(s.quit)
	s.work.Wait()
	return nil
}

// post hands work to the goroutine that owns the truth. It is dropped when
// that has ended.
func (s *supervisor) post(call func()) {
	select {
	case s.calls <- call:
	case <-s.quit:
	}
}

// loop takes in what happens, one thing at a time, until ctx ends.
func (s *supervisor) loop(ctx context.Context, snapshots <-chan udev.Snapshot) {
	tick := time.NewTicker(s.tickEvery())
	defer tick.Stop()
	ready := false
	for {
		select {
		case <-ctx.Done():
			return
		case snap := <-snapshots:
			s.takeSnapshot(ctx, snap)
			if !ready {
				ready = true
				s.phase = state.Watching
				s.cfg.Notify("READY=1")
			}
		case call := <-s.calls:
			call()
		case <-s.cfg.Reload:
			s.reload(ctx)
		case <-tick.C:
			s.tick(ctx)
		}
		s.schedule(ctx)
		s.publish()
	}
}

// tickEvery is often enough for the watchdog and for folders that come and go.
func (s *supervisor) tickEvery() time.Duration {
	every := 5 * time.Second
	if w := s.cfg.Watchdog / 3; w > 0 && w < every {
		every = w
	}
	return every
}

func (s *supervisor) tick(ctx context.Context) {
	if s.cfg.Watchdog > 0 {
		s.cfg.Notify("WATCHDOG=1")
	}
	s.checkClock()
	s.watchFolders(ctx)
}

// park ends the work that is under way and waits for it.
func (s *supervisor) park(snapshots <-chan udev.Snapshot) {
	s.phase = state.Stopping
	for _, c := range s.cards {
		if c.cancel != nil {
			c.cancel(errStopping)
		}
	}
	s.publish()
	for s.running != nil || s.looking > 0 {
		select {
		case call := <-s.calls:
			call()
			s.publish()
		case s.snapshot = <-snapshots:
		}
	}
}

var errStopping = errors.New("the box was told to stop; the work goes on when it starts again")

// checkSelf looks at what the daemon stands on. Nothing it finds stops it.
func (s *supervisor) checkSelf(ctx context.Context) {
	if err := os.MkdirAll(s.cfg.StateDir, 0o700); err != nil {
		s.raise(state.StateUnwritable, s.cfg.StateDir, err.Error())
	} else if f, err := os.CreateTemp(s.cfg.StateDir, ".write-check-*"); err != nil {
		s.raise(state.StateUnwritable, s.cfg.StateDir, err.Error())
	} else {
		f.Close()
		os.Remove(f.Name())
	}
	if v, ok := s.cfg.Volumes.(patientVolumes); ok {
		s.sweep(v.Volumes)
	}
	l, aside, err := ledger.OpenOrReplace(ctx, filepath.Join(s.cfg.StateDir, "ledger.db"))
	if err != nil {
		s.raise(state.LedgerFailing, "", err.Error())
	} else {
		s.ledger = l
		s.recallOffloads(ctx)
	}
	if aside != "" {
		s.raise(state.LedgerReplaced, "", "the old one is kept as "+aside)
	}
	s.checkClock()
}

// sweep removes the mount points that an earlier life left.
func (s *supervisor) sweep(v Volumes) {
	if m, ok := v.(*mounts); ok {
		if err := m.mounter.Sweep(); err != nil {
			s.cfg.Log.Warn("mount points of an earlier life are still there", "err", err)
		}
	}
}

func (s *supervisor) checkClock() {
	if _, trusted := s.cfg.Now(); trusted {
		s.clear(state.ClockUntrusted, "")
	} else {
		s.raise(state.ClockUntrusted, "", "")
	}
}

// boxID names the box in what it writes to drives.
func (s *supervisor) boxID() string {
	if s.ledger == nil {
		return "no-ledger"
	}
	return s.ledger.BoxID()
}

// boxName is what people call the box.
func (s *supervisor) boxName() string {
	if s.policy != nil && s.policy.Box.Name != "" {
		return s.policy.Box.Name
	}
	if name, err := os.Hostname(); err == nil {
		return name
	}
	return "bothy"
}

// raise makes a condition known; raising it again only renews its detail.
func (s *supervisor) raise(code state.Code, subject, detail string) {
	key := conditionKey{code, subject}
	if old, ok := s.conditions[key]; ok {
		if old.Detail != detail {
			old.Detail = detail
			s.conditions[key] = old
		}
		return
	}
	now, _ := s.cfg.Now()
	c := state.Condition{Code: code, Subject: subject, Detail: detail, Since: now}
	s.conditions[key] = c
	if s.counters.ConditionsRaised == nil {
		s.counters.ConditionsRaised = map[string]uint64{}
	}
	s.counters.ConditionsRaised[string(code)]++
	kind := c.Kind()
	s.cfg.Log.Log(context.Background(), logLevel(kind.Severity), kind.Sentence,
		"condition", string(code), "subject", subject, "detail", detail, "hint", kind.Hint)
	s.logCondition(c, true)
}

// clear takes a condition back.
func (s *supervisor) clear(code state.Code, subject string) {
	key := conditionKey{code, subject}
	c, ok := s.conditions[key]
	if !ok {
		return
	}
	delete(s.conditions, key)
	s.cfg.Log.Info("condition is over", "condition", string(code), "subject", subject)
	s.logCondition(c, false)
}

func (s *supervisor) logCondition(c state.Condition, raised bool) {
	if s.ledger == nil || c.Code == state.LedgerFailing {
		return
	}
	err := s.ledger.LogCondition(context.Background(), string(c.Code), c.Subject, c.Detail, raised, moment(s.cfg.Now))
	s.ledgerResult(err)
}

// ledgerResult turns a failure of the ledger into a condition; copying goes on.
func (s *supervisor) ledgerResult(err error) {
	if err != nil {
		s.counters.LedgerFailures++
		s.raise(state.LedgerFailing, "", err.Error())
	}
}

// loadPolicy reads the policy file. A broken one leaves the last good one.
func (s *supervisor) loadPolicy() {
	s.policyInfo.Path = s.cfg.PolicyPath
	data, err := os.ReadFile(s.cfg.PolicyPath)
	var p *policy.Policy
	if err == nil {
		p, err = policy.Parse(s.cfg.PolicyPath, data)
	}
	if err != nil {
		s.policyInfo.Error = err.Error()
		if s.policy == nil {
			s.raise(state.PolicyBroken, "", err.Error())
		} else {
			s.raise(state.PolicyStale, "", err.Error())
		}
		return
	}
	s.policy = p
	s.policyInfo.Error = ""
	s.policyInfo.LoadedAt, _ = s.cfg.Now()
	s.clear(state.PolicyBroken, "")
	s.clear(state.PolicyStale, "")
}

// reload reads the policy again and decides anew about what is not at work.
func (s *supervisor) reload(ctx context.Context) {
	s.cfg.Notify("RELOADING=1")
	s.counters.PolicyReloads++
	s.loadPolicy()
	if s.policyInfo.Error != "" {
		s.counters.PolicyReloadFails++
	} else {
		s.decideAgain(ctx)
		for _, c := range s.cards {
			if c.verdict == state.Hold || s.outdated(c) {
				s.requeue(c)
			}
		}
	}
	s.cfg.Notify("READY=1")
}

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
		// A card that is released already may be taken out while slower drives
		// are still at work, and another put in.
		swapped := next.SizeBytes > 0 && next.DiskSeq != d.DiskSeq && c.verdict != state.Release
		if swapped && (c.cancel != nil || c.changed) {
			s.blocked[slotOf(d)] = true
		}
		if c.cancel != nil {
			cause := offload.ErrCardGone
			if swapped {
				cause = offload.ErrCardChanged
			}
			c.cancel(cause)
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
	if !s.atWork(d.Name) {
		s.decide(ctx, dev)
	}
}

func (s *supervisor) atWork(name string) bool {
	for _, c := range s.cards {
		if c.dev.Name == name && c.cancel != nil {
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

func (s *supervisor) decideAgain(ctx context.Context) {
	for _, name := range slices.Sorted(maps.Keys(s.devices)) {
		if !s.atWork(name) {
			s.decide(ctx, s.devices[name])
		}
	}
	s.watchFolders(ctx)
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
		if c.dev.Name == dev.Name && c.cancel == nil {
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
	decision := rules.Decide(facts)
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
