package metrics

// cards reports totals by phase and by kind of hold, all of them also when
// zero, and one series per slot, rule and verdict that occurs. Two cards that
// share all three (two partitions of one medium) are counted, not repeated.
func (c *collector) cards(e emitter, cards []Card) {
	type seat struct{ slot, rule, verdict string }
	phases, held, heldFor := map[string]int{}, map[string]int{}, map[string]float64{}
	seats := map[seat]int{}
	for _, card := range cards {
		phases[oneOf(card.Phase, CardPhases, CardPhases[0])]++
		if card.HoldKind != "" {
			kind := oneOf(card.HoldKind, HoldKinds, "fault")
			held[kind]++
			heldFor[kind] = max(heldFor[kind], card.HeldSeconds)
		}
		at := seat{label(card.Slot), label(card.Rule), oneOf(card.Verdict, Verdicts, "hold")}
		if _, there := seats[at]; there || len(seats) < MaxSlotCards {
			seats[at]++
		}
	}
	for _, p := range CardPhases {
		e.gauge(c.names.cards, float64(phases[p]), p)
	}
	for _, k := range HoldKinds {
		e.gauge(c.names.cardsHeld, float64(held[k]), k)
		e.gauge(c.names.cardsHeldFor, heldFor[k], k)
	}
	for at, count := range seats {
		e.gauge(c.names.slotCards, float64(count), at.slot, at.rule, at.verdict)
	}
}

// drives reports each named drive once. Should two carry the same name, the
// first one's sizes stand (attached ones come first) and any alarm of either
// shows.
func (c *collector) drives(e emitter, drives []Drive) {
	attached, refused, retired := 0, 0, 0
	var named []Drive
	at := map[string]int{}
	for _, d := range drives {
		switch {
		case d.Retired:
			retired++
			continue
		case d.Refused:
			refused++
			continue
		case d.Attached:
			attached++
		}
		name := label(d.Name)
		if name == "" {
			continue
		}
		if i, there := at[name]; there {
			named[i].Attached = named[i].Attached || d.Attached
			named[i].InUse = named[i].InUse || d.InUse
			named[i].Full = named[i].Full || d.Full
			named[i].Failing = named[i].Failing || d.Failing
			continue
		}
		if len(named) < MaxDrives {
			at[name] = len(named)
			named = append(named, d)
		}
	}
	e.gauge(c.names.drivesAttached, float64(attached))
	e.gauge(c.names.drivesRefused, float64(refused))
	e.gauge(c.names.drivesRetired, float64(retired))
	for _, d := range named {
		c.drive(e, d)
	}
}

func (c *collector) drive(e emitter, d Drive) {
	n := c.names
	e.flag(n.driveAttached, d.Attached, d.Name)
	e.flag(n.driveInUse, d.InUse, d.Name)
	e.flag(n.driveFull, d.Full, d.Name)
	e.flag(n.driveFailing, d.Failing, d.Name)
	e.gauge(n.driveSizeBytes, float64(d.SizeBytes), d.Name)
	e.gauge(n.driveFreeBytes, float64(d.FreeBytes), d.Name)
	e.gauge(n.driveCopies, float64(d.Copies), d.Name)
	e.gauge(n.driveUndated, float64(d.Undated), d.Name)
	if d.OldestProof > 0 {
		e.gauge(n.driveOldestProof, d.OldestProof, d.Name)
	}
	if d.RoomKnown {
		e.gauge(n.driveRoomCards, float64(d.RoomCards), d.Name)
		e.gauge(n.driveRoomTime, d.RoomSeconds, d.Name)
	}
	if d.HealthKnown {
		e.flag(n.driveHealthGood, d.HealthGood, d.Name)
	}
	if d.CelsiusKnown {
		e.gauge(n.driveCelsius, d.Celsius, d.Name)
	}
	if d.LastSeen > 0 {
		e.gauge(n.driveLastSeen, d.LastSeen, d.Name)
	}
}

// conditions reports the codes the snapshot lists, each once.
func (c *collector) conditions(e emitter, s *Snapshot) {
	e.flag(c.names.conditionsNeedPerson, s.NeedsPerson)
	seen := map[string]bool{}
	for _, cond := range s.Conditions {
		code := label(cond.Code)
		if seen[code] || len(seen) == MaxCodes {
			continue
		}
		seen[code] = true
		e.gauge(c.names.conditions, float64(cond.Raised), code, cond.Severity)
	}
	seen = map[string]bool{}
	for _, r := range s.ConditionsRaisedTotal {
		code := label(r.Code)
		if seen[code] || len(seen) == MaxCodes {
			continue
		}
		seen[code] = true
		e.count(c.names.conditionsRaisedAll, r.Times, code)
	}
}
