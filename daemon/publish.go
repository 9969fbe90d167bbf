package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sort"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

func logLevel(s state.Severity) slog.Level {
	switch s {
	case state.Danger:
		return slog.LevelError
	case state.Attention:
		return slog.LevelWarn
	}
	return slog.LevelInfo
}

// publish shows everybody the truth as it is now.
func (s *supervisor) publish() {
	now, trusted := s.cfg.Now()
	st := &state.State{
		Moment: now, ClockTrusted: trusted, Phase: s.phase, Policy: s.policyInfo,
		Box:   state.Box{Name: s.boxName(), ID: s.boxID(), Version: s.cfg.Version, Started: s.started, Starts: s.starts},
		Lamps: s.lamps(),
	}
	if s.policy != nil {
		st.Box.Copies = s.policy.Box.Copies
	}
	for _, name := range slices.Sorted(maps.Keys(s.devices)) {
		d := s.devices[name]
		st.Devices = append(st.Devices, state.Device{
			Name: d.Name, Node: d.Node, Disk: d.Disk, Slot: d.Slot, Label: d.Label, FSType: d.FSType, SizeBytes: d.SizeBytes,
			Decision: d.outcome, Rule: d.decision.Rule, Sentence: d.sentence,
		})
	}
	for _, c := range s.cards {
		c.noteHold(now)
		st.Cards = append(st.Cards, state.Card{
			Device: c.dev.Name, Slot: c.dev.Slot, Label: c.dev.Label, Rule: c.rule.Name, Phase: c.phase, Verdict: c.verdict,
			HoldKind: c.holdKind, Reason: s.reasonOf(c), OffloadID: c.offloadID, SizeBytes: c.dev.SizeBytes, Files: c.files, Bytes: c.bytes, HeldSince: c.heldSince,
		})
	}
	st.Drives = s.drivesToShow(now, trusted)
	st.Errand = s.errandShown()
	st.Power = s.powerShown()
	for _, o := range s.offloads[:min(len(s.offloads), state.MaxOffloads)] {
		shown := *o
		shown.Copies = slices.Clone(o.Copies)
		shown.Day = s.dayOf(shown.Started)
		st.Offloads = append(st.Offloads, shown)
	}
	st.Conditions = slices.Collect(maps.Values(s.conditions))
	sort.Slice(st.Conditions, func(i, k int) bool {
		a, b := st.Conditions[i], st.Conditions[k]
		if x, y := a.Kind().Severity, b.Kind().Severity; x != y {
			return x > y
		}
		if !a.Since.Equal(b.Since) {
			return a.Since.Before(b.Since)
		}
		return a.Code+state.Code(a.Subject) < b.Code+state.Code(b.Subject)
	})
	st.Counters = s.counters
	st.Counters.ConditionsRaised = maps.Clone(s.counters.ConditionsRaised)
	s.publisher.Publish(st)
	s.cfg.Published(st)
	s.cfg.Notify("STATUS=" + statusLine(st))
}

// dayOf is the day of a time on this box; empty for no time.
func (s *supervisor) dayOf(t time.Time) string {
	switch {
	case t.IsZero():
		return ""
	case s.policy == nil:
		return t.UTC().Format(time.DateOnly)
	}
	return s.policy.Box.Day(t)
}

// statusLine is the one line that systemd shows.
func statusLine(st *state.State) string {
	if slices.ContainsFunc(st.Conditions, func(c state.Condition) bool { return c.Code == state.PolicyEmpty }) {
		return "no work is taken: the policy has no rules yet"
	}
	if st.Policy.Error != "" && st.Policy.LoadedAt.IsZero() {
		return "no work is taken: the policy is broken"
	}
	release, hold, working, attached := 0, 0, 0, 0
	for _, c := range st.Cards {
		switch {
		case c.Phase != state.CardDecided:
			working++
		case c.Verdict == state.Release:
			release++
		default:
			hold++
		}
	}
	for _, d := range st.Drives {
		if d.Attached {
			attached++
		}
	}
	power := ""
	if st.Power.Level != state.Powered {
		power = fmt.Sprintf("battery at %d %%: %s; ", st.Power.Percent, st.Power.Level)
	}
	return fmt.Sprintf("%s: %scards: %d working, %d released, %d on hold; drives: %d; conditions: %d",
		st.Phase, power, working, release, hold, attached, len(st.Conditions))
}

// recallOffloads reads the newest offloads from the ledger.
func (s *supervisor) recallOffloads(ctx context.Context) {
	list, err := s.ledger.Offloads(ctx, state.MaxOffloads)
	s.ledgerResult(err)
	for _, o := range list {
		if o.Status == ledger.OffloadVoid && ledger.ByManifests(o.ID) {
			continue // it is one with another
		}
		shown, err := s.recall(ctx, o)
		s.ledgerResult(err)
		s.offloads = append(s.offloads, &shown)
	}
	s.recallDrives(ctx)
}

// recall turns what the ledger knows of an offload into what is shown of it.
func (s *supervisor) recall(ctx context.Context, o ledger.Offload) (state.Offload, error) {
	shown := state.Offload{
		ID: o.ID, Sequence: o.Seq, CardLabel: o.CardLabel, Rule: o.Rule, Started: o.Started.Wall, Ended: o.Ended.Wall,
		Verdict: state.Verdict(o.Verdict), Reason: o.Reason, Verify: o.Verify, Checksum: o.Checksum,
		Files: o.Files, Bytes: o.Bytes, RefersTo: o.RefersTo, LeftOut: o.LeftOut, Salvaged: shownSalvages(o.Salvaged),
	}
	copies, err := s.ledger.Copies(ctx, o.ID)
	if err != nil {
		return shown, err
	}
	names := map[string]string{}
	drives, err := s.ledger.Drives(ctx)
	for _, d := range drives {
		names[d.ID] = d.Name
	}
	for _, c := range copies {
		shown.Copies = append(shown.Copies, state.Copy{
			DriveID: c.DriveID, DriveName: names[c.DriveID], Folder: c.Folder, Phase: copyPhase(c.Status), Reason: c.Reason,
		})
	}
	return shown, err
}

func copyPhase(status string) state.CopyPhase {
	switch status {
	case ledger.CopyProven:
		return state.CopyProven
	case ledger.CopyIncomplete:
		return state.CopyIncomplete
	case ledger.CopyUnproven:
		return state.CopyUnproven
	case ledger.CopyHanded:
		return state.CopyHanded
	case ledger.CopyOpen, ledger.CopyFinishing:
		return state.CopyUnfinished
	}
	return state.CopyFailed
}

// publishOffload shows an offload that begins or goes on.
func (j *job) publishOffload(o ledger.Offload, g group, drives []offload.Drive) {
	shown := &state.Offload{
		ID: o.ID, Sequence: o.Seq, CardLabel: o.CardLabel, Rule: o.Rule, Device: j.dev.Name, Started: o.Started.Wall,
		Running: true, Verdict: state.Hold, Reason: "is being copied", Verify: o.Verify, Checksum: o.Checksum,
		Files: len(g.plan.Files), Bytes: g.plan.Bytes, RefersTo: o.RefersTo, LeftOut: o.LeftOut,
	}
	for _, d := range drives {
		shown.Copies = append(shown.Copies, state.Copy{DriveID: d.ID, DriveName: d.Name, Folder: d.Folder, Phase: state.CopyWaiting})
	}
	files, bytes := len(j.plan.Files), j.plan.Bytes
	j.s.post(func() {
		s, c := j.s, j.card
		s.counters.OffloadsStarted++
		if i := slices.IndexFunc(s.offloads, func(old *state.Offload) bool { return old.ID == o.ID }); i >= 0 {
			for _, done := range s.offloads[i].Copies {
				if !slices.ContainsFunc(shown.Copies, func(k state.Copy) bool { return k.DriveID == done.DriveID }) {
					shown.Copies = append(shown.Copies, done)
				}
			}
			s.offloads = slices.Delete(s.offloads, i, i+1)
		}
		s.offloads = slices.Insert(s.offloads, 0, shown)
		if len(s.offloads) > state.MaxOffloads {
			s.offloads = s.offloads[:state.MaxOffloads]
		}
		c.offloadID, c.files, c.bytes = o.ID, files, bytes
		if c.verdict != state.Release {
			c.phase, c.reason = state.CardWorking, "is being copied; leave everything in"
		}
	})
}

// progress takes in a look at the running engine.
func (s *supervisor) progress(id string, p offload.Progress) {
	i := slices.IndexFunc(s.offloads, func(o *state.Offload) bool { return o.ID == id })
	if i < 0 {
		return
	}
	o := s.offloads[i]
	o.BytesRead = p.BytesRead
	for _, c := range p.Copies {
		for k := range o.Copies {
			if o.Copies[k].DriveID == c.DriveID {
				o.Copies[k].Phase, o.Copies[k].Reason, o.Copies[k].FilesProven = c.Phase, c.Reason, c.FilesProven
				o.Copies[k].BytesWritten, o.Copies[k].BytesProven = c.BytesWritten, c.BytesProven
			}
		}
	}
}

// copiesEnded shows how an engine's copies ended.
func (s *supervisor) copiesEnded(id string, res offload.Result) {
	i := slices.IndexFunc(s.offloads, func(o *state.Offload) bool { return o.ID == id })
	if i < 0 {
		return
	}
	s.offloads[i].Salvaged = res.Salvaged
	for _, c := range res.Copies {
		for k := range s.offloads[i].Copies {
			shown := &s.offloads[i].Copies[k]
			if shown.DriveID != c.DriveID {
				continue
			}
			shown.Phase, shown.Reason = c.Phase, ""
			if c.Err != nil {
				shown.Reason = c.Err.Error()
			}
			shown.FilesProven, shown.BytesWritten, shown.BytesProven = c.FilesProven, c.BytesWritten, c.BytesProven
		}
	}
	endPace(s.offloads[i])
}

// count adds an engine's run over a card to the counters.
func (s *supervisor) count(res offload.Result) {
	s.counters.OffloadsFinished++
	s.counters.BytesRead += uint64(res.BytesRead)
	s.countCopies(res)
}

// countCatchUp adds an engine's run over drives.
func (s *supervisor) countCatchUp(res offload.Result) {
	for _, c := range res.Copies {
		if c.Phase == state.CopyProven || c.Phase == state.CopyIncomplete {
			s.counters.CatchUps++
		}
	}
	s.countCopies(res)
}

func (s *supervisor) countCopies(res offload.Result) {
	c := &s.counters
	c.FlushFailures += uint64(res.FlushFailures)
	c.ReadBackMismatch += uint64(res.Mismatches)
	c.ReadBackErrors += uint64(res.ReadBackErrors)
	for _, cp := range res.Copies {
		c.BytesWritten += uint64(cp.BytesWritten)
		c.BytesReadBack += uint64(cp.BytesReadBack)
		c.FilesProven += uint64(cp.FilesProven)
		switch cp.Phase {
		case state.CopyProven:
			c.CopiesProven++
		case state.CopyFailed:
			c.CopiesFailed++
		}
	}
}
