package status

import (
	"math"
	"time"

	"bothy/daemon/state"
)

// NewDocument renders s. It is pure, and what it returns shares no memory with
// s that anybody writes to.
func NewDocument(s *state.State) *Document {
	return &Document{
		Moment:       instant(s.Moment),
		ClockTrusted: s.ClockTrusted,
		Sequence:     s.Sequence,
		Phase:        brief(string(s.Phase)),
		Healthy:      len(ailments(s)) == 0,
		Box: Box{
			Name: brief(s.Box.Name), ID: brief(s.Box.ID), Version: brief(s.Box.Version),
			Started: instant(s.Box.Started), CopiesNeeded: s.Box.Copies,
		},
		Policy: Policy{
			Path: long(s.Policy.Path), LoadedAt: instant(s.Policy.LoadedAt), Error: cut(s.Policy.Error, maxPolicyError),
		},
		Power:      renderPower(s.Power),
		Cards:      renderAll(s.Cards, renderCard),
		Drives:     renderAll(s.Drives, renderDrive),
		Errand:     renderErrand(s.Errand),
		Conditions: renderAll(s.Conditions, renderCondition),
		Offloads:   renderAll(s.Offloads, renderOffload),
		Devices:    renderAll(s.Devices, renderDevice),
		Counters:   renderCounters(&s.Counters),
	}
}

// renderAll renders at most maxList entries, keeps their order and never
// returns nil.
func renderAll[In, Out any](in []In, render func(In) Out) []Out {
	out := make([]Out, 0, min(len(in), maxList))
	for _, v := range in[:min(len(in), maxList)] {
		out = append(out, render(v))
	}
	return out
}

// verdictOf passes a release on only when it is one beyond doubt.
func verdictOf(v state.Verdict, settled bool) string {
	if settled && v == state.Release {
		return string(state.Release)
	}
	return string(state.Hold)
}

func renderPower(p state.Power) Power {
	out := Power{Battery: p.HasBattery, Note: long(p.Note), Level: brief(string(p.Level))}
	if p.Level == state.Powered {
		out.Level = powerGood
	}
	if p.HasCharge {
		out.ChargePercent = &p.Percent
	}
	if p.HasExternal {
		out.External = &p.External
	}
	return out
}

func renderErrand(e *state.Errand) *Errand {
	if e == nil {
		return nil
	}
	return &Errand{
		Kind: brief(e.Kind), OffloadID: brief(e.OffloadID), CardLabel: brief(e.CardLabel), Folder: long(e.Folder),
		From: renderAll(e.From, brief), To: renderAll(e.To, brief), Files: e.Files, SizeBytes: e.Bytes, Done: renderDone(e.Done, false), Waits: e.Waits,
	}
}

func renderCard(c state.Card) Card {
	return Card{
		Device: brief(c.Device), Slot: brief(c.Slot), Label: brief(c.Label), Rule: brief(c.Rule),
		Phase: brief(string(c.Phase)), Verdict: verdictOf(c.Verdict, c.Phase == state.CardDecided),
		HoldKind: brief(string(c.HoldKind)), Reason: long(c.Reason), OffloadID: brief(c.OffloadID),
		SizeBytes: c.SizeBytes, Files: c.Files, FileBytes: c.Bytes,
	}
}

func renderDrive(d state.Drive) Drive {
	var cards, hours *int
	if d.Room.Known {
		cards, hours = &d.Room.Cards, &d.Room.Hours
	}
	var celsius *int
	if d.Health.HasCelsius {
		celsius = &d.Health.Celsius
	}
	return Drive{
		ID: brief(d.ID), Name: brief(d.Name), Device: brief(d.Device), Path: long(d.Path), Slot: brief(d.Slot),
		Rule: brief(d.Rule), FSType: brief(d.FSType), Attached: d.Attached, InUse: d.InUse, Full: d.Full,
		Failing: d.Failing, Refused: d.Refused, Retired: d.Retired, Formerly: renderAll(d.Formerly, brief), Health: brief(d.Health.Word), Celsius: celsius, Reason: long(d.Reason), SizeBytes: d.SizeBytes,
		FreeBytes: d.FreeBytes, Copies: d.Copies, CardsLeft: cards, HoursLeft: hours, LastSeenAt: instant(d.LastSeenAt),
	}
}

func renderCondition(c state.Condition) Condition {
	k := c.Kind()
	return Condition{
		Code: brief(string(c.Code)), Severity: k.Severity.String(), NeedsPerson: k.NeedsPerson,
		Subject: long(c.Subject), Sentence: long(k.Sentence), Detail: long(c.Detail), Hint: long(k.Hint),
		Since: instant(c.Since),
	}
}

// NewOffload renders one offload, e.g. one that is only in the ledger.
func NewOffload(o state.Offload) Offload { return renderOffload(o) }

func renderOffload(o state.Offload) Offload {
	return Offload{
		ID: brief(o.ID), Sequence: o.Sequence, CardLabel: brief(o.CardLabel), Rule: brief(o.Rule),
		Device: brief(o.Device), Started: instant(o.Started), Day: brief(o.Day), Ended: instant(o.Ended), Running: o.Running,
		Verdict: verdictOf(o.Verdict, true), Reason: long(o.Reason), Verify: brief(o.Verify),
		Checksum: brief(o.Checksum), Files: o.Files, SizeBytes: o.Bytes, ReadBytes: o.BytesRead,
		Done: renderDone(o.Done, !o.Running && o.Verdict == state.Release), Speed: o.BytesPerSecond, Left: renderLeft(o.Left),
		RefersTo: renderAll(o.RefersTo, brief), LeftOut: renderAll(o.LeftOut, long), Salvaged: NewSalvages(o.Salvaged),
		Copies: renderAll(o.Copies, renderCopy),
	}
}

// NewSalvages renders what was salvaged.
func NewSalvages(list []state.Salvage) []Salvage { return renderAll(list, renderSalvage) }

func renderSalvage(s state.Salvage) Salvage {
	return Salvage{
		Path: long(s.Path), As: long(s.As), SizeBytes: s.SizeBytes, MissingBytes: s.MissingBytes,
		Missing:    renderAll(s.Missing, func(r state.ByteRange) [2]int64 { return [2]int64{r.From, r.To} }),
		MoreRanges: s.MoreRanges, MoreFiles: s.MoreFiles,
	}
}

func renderCopy(c state.Copy) Copy {
	return Copy{
		DriveID: brief(c.DriveID), DriveName: brief(c.DriveName), Folder: long(c.Folder),
		Phase: brief(string(c.Phase)), Reason: long(c.Reason), FilesProven: c.FilesProven,
		WrittenBytes: c.BytesWritten, ProvenBytes: c.BytesProven,
		Done: renderDone(c.Done, c.Phase == state.CopyProven), Left: renderLeft(c.Left),
	}
}

// renderDone cuts to four decimals, so that 1 stays what it means. What is there
// is done, also where nobody watched it: in an earlier life of the daemon.
func renderDone(done float64, there bool) float64 {
	switch {
	case there:
		return 1
	case !(done > 0): // nor a number
		return 0
	}
	return math.Floor(min(done, 1)*10000) / 10000
}

func renderLeft(l state.Left) Left {
	seconds := func(d time.Duration) int64 { return int64(d / time.Second) }
	return Left{Seconds: seconds(l.Total), CopyingSeconds: seconds(l.Copy), ProvingSeconds: seconds(l.Proof)}
}

func renderDevice(d state.Device) Device {
	return Device{
		Name: brief(d.Name), Node: brief(d.Node), Disk: brief(d.Disk), Slot: brief(d.Slot), Label: brief(d.Label),
		FSType: brief(d.FSType), SizeBytes: d.SizeBytes, Decision: brief(d.Decision), Rule: brief(d.Rule),
		Sentence: long(d.Sentence),
	}
}

func renderCounters(c *state.Counters) Counters {
	raised := make(map[string]uint64, len(c.ConditionsRaised))
	for code, n := range c.ConditionsRaised {
		raised[brief(code)] = n
	}
	return Counters{
		DeviceEvents: c.DeviceEvents, DeviceRescans: c.DeviceRescans, DeviceReconnects: c.DeviceReconnects,
		ReadBytes: c.BytesRead, WrittenBytes: c.BytesWritten, ReadBackBytes: c.BytesReadBack,
		FilesProven: c.FilesProven, CopiesProven: c.CopiesProven, CopiesFailed: c.CopiesFailed,
		Releases: c.Releases, Holds: c.Holds, ReadBackMismatches: c.ReadBackMismatch, ReadBackErrors: c.ReadBackErrors,
		FlushFailures: c.FlushFailures, LightFailures: c.LightFailures, LedgerFailures: c.LedgerFailures,
		ConditionsRaised: raised, OffloadsStarted: c.OffloadsStarted, OffloadsFinished: c.OffloadsFinished,
		CatchUps: c.CatchUps, Patrols: c.Patrols, FilesHealed: c.FilesHealed, PolicyReloads: c.PolicyReloads, PolicyReloadFails: c.PolicyReloadFails,
	}
}

// instant makes t fit for a document: UTC, whole milliseconds, and zero (left
// out) when RFC 3339 cannot express its year.
func instant(t time.Time) time.Time {
	t = t.UTC().Truncate(time.Millisecond)
	if y := t.Year(); t.IsZero() || y < 1 || y > 9999 {
		return time.Time{}
	}
	return t
}
