package daemon

import (
	"maps"
	"slices"
	"time"

	"bothy/daemon/state"
	"bothy/metrics"
)

// measure turns a published State into what a scrape reports. It is pure.
func measure(s *state.State) metrics.Snapshot {
	snap := metrics.Snapshot{
		Version:         s.Box.Version,
		Phase:           string(s.Phase),
		CopiesNeeded:    s.Box.Copies,
		ClockTrusted:    s.ClockTrusted,
		LastStateChange: unixSeconds(s.Moment),
		PolicyLoaded:    !s.Policy.LoadedAt.IsZero(),
		PolicyError:     s.Policy.Error != "",
		PolicyLoadedAt:  unixSeconds(s.Policy.LoadedAt),
		ChargeKnown:     s.Power.HasCharge,
		Charge:          float64(s.Power.Percent) / 100,
		ExternalKnown:   s.Power.HasExternal,
		External:        s.Power.External,
		DevicesWatched:  len(s.Devices),
		Counters:        measureCounters(&s.Counters),
		Starts:          metrics.Starts{Clean: s.Box.Starts.Clean, AfterCrash: s.Box.Starts.AfterCrash, AfterPowerCut: s.Box.Starts.AfterPowerCut},
	}
	for _, d := range s.Devices {
		if d.Decision == "left-alone" {
			snap.DevicesLeftAlone++
		}
	}
	measureOffloads(s.Offloads, &snap)
	for _, c := range s.Cards {
		m := measureCard(c)
		if m.HoldKind != "" && !c.HeldSince.IsZero() {
			m.HeldSeconds = max(0, s.Moment.Sub(c.HeldSince).Seconds())
		}
		snap.Cards = append(snap.Cards, m)
	}
	for _, d := range s.Drives {
		snap.Drives = append(snap.Drives, measureDrive(d))
	}
	if e := s.Errand; e != nil {
		snap.Errand, snap.ErrandDone = e.Kind, e.Done
	}
	measureConditions(s, &snap)
	return snap
}

// measureOffloads reports the least of what is done and the longest of what is
// left, so that several running offloads need no label.
func measureOffloads(offloads []state.Offload, snap *metrics.Snapshot) {
	for _, o := range offloads {
		if !o.Running {
			continue
		}
		if snap.OffloadsRunning == 0 || o.Done < snap.OffloadsDone {
			snap.OffloadsDone = o.Done
		}
		snap.OffloadsLeft = max(snap.OffloadsLeft, o.Left.Total.Seconds())
		snap.OffloadsRunning++
	}
}

// measureCard shows a verdict only for a card about which one was decided.
func measureCard(c state.Card) metrics.Card {
	m := metrics.Card{Slot: c.Slot, Rule: c.Rule, Phase: string(c.Phase), Verdict: "working"}
	if c.Phase != state.CardDecided {
		return m
	}
	if c.Verdict == state.Release {
		m.Verdict = "release"
		return m
	}
	m.Verdict = "hold"
	m.HoldKind = string(c.HoldKind)
	if c.HoldKind == state.NoHold {
		m.HoldKind = string(state.HoldByFault)
	}
	return m
}

// measureDrive leaves a drive without an identity nameless: what an unknown
// medium calls itself must not become a series.
func measureDrive(d state.Drive) metrics.Drive {
	m := metrics.Drive{
		Attached: d.Attached, InUse: d.InUse, Full: d.Full, Failing: d.Failing, Refused: d.Refused, Retired: d.Retired,
		SizeBytes: d.SizeBytes, FreeBytes: d.FreeBytes, LastSeen: unixSeconds(d.LastSeenAt),
	}
	m.Copies, m.OldestProof, m.Undated = d.Copies, unixSeconds(d.OldestProof), d.Undated
	if d.Room.Known {
		m.RoomKnown, m.RoomCards, m.RoomSeconds = true, d.Room.Cards, float64(d.Room.Hours)*3600
	}
	m.HealthKnown, m.HealthGood = d.Health.Word != state.HealthUnknown, d.Health.Word == state.HealthGood
	m.CelsiusKnown, m.Celsius = d.Health.HasCelsius, float64(d.Health.Celsius)
	if d.ID != "" {
		m.Name = d.Name
	}
	return m
}

// measureConditions reports every code there is, raised or not, so that an
// alert can tell "never" from "not asked".
func measureConditions(s *state.State, snap *metrics.Snapshot) {
	raised := map[state.Code]int{}
	for _, c := range s.Conditions {
		raised[c.Code]++
		if c.Kind().NeedsPerson {
			snap.NeedsPerson = true
		}
	}
	known := map[string]bool{}
	for _, k := range state.Kinds {
		known[string(k.Code)] = true
		snap.Conditions = append(snap.Conditions, metrics.Condition{
			Code: string(k.Code), Severity: k.Severity.String(), Raised: raised[k.Code],
		})
		snap.ConditionsRaisedTotal = append(snap.ConditionsRaisedTotal, metrics.Raised{
			Code: string(k.Code), Times: s.Counters.ConditionsRaised[string(k.Code)],
		})
	}
	for _, code := range slices.Sorted(maps.Keys(s.Counters.ConditionsRaised)) {
		if !known[code] {
			snap.ConditionsRaisedTotal = append(snap.ConditionsRaisedTotal, metrics.Raised{
				Code: code, Times: s.Counters.ConditionsRaised[code],
			})
		}
	}
}

func measureCounters(c *state.Counters) metrics.Counters {
	return metrics.Counters{
		DeviceEvents: c.DeviceEvents, DeviceRescans: c.DeviceRescans, DeviceReconnects: c.DeviceReconnects,
		ReadBytes: c.BytesRead, WrittenBytes: c.BytesWritten, ReadBackBytes: c.BytesReadBack,
		FilesProven: c.FilesProven, CopiesProven: c.CopiesProven, CopiesFailed: c.CopiesFailed, CatchUps: c.CatchUps, Patrols: c.Patrols, FilesHealed: c.FilesHealed,
		Releases: c.Releases, Holds: c.Holds,
		ReadBackMismatches: c.ReadBackMismatch, ReadBackErrors: c.ReadBackErrors, FlushFailures: c.FlushFailures,
		LightFailures: c.LightFailures, LedgerFailures: c.LedgerFailures,
		OffloadsStarted: c.OffloadsStarted, OffloadsFinished: c.OffloadsFinished,
		PolicyReloads: c.PolicyReloads, PolicyReloadFails: c.PolicyReloadFails,
	}
}

// unixSeconds returns 0 for the zero time.
func unixSeconds(t time.Time) float64 {
	if t.IsZero() {
		return 0
	}
	return float64(t.UnixMilli()) / 1000
}
