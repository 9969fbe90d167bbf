package daemon

import (
	"slices"
	"strings"
	"testing"

	"bothy/daemon/state"
	"bothy/daemon/supply"
)

// supplied is how the invented box is supplied; until a test says so nothing is
// known.
func (m *sim) supplied() supply.Reading {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.supply
}

func (m *sim) setSupply(r supply.Reading) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.supply = r
}

func onBattery(percent int) supply.Reading {
	return supply.Reading{HasBattery: true, HasCharge: true, Percent: percent, HasExternal: true}
}

func charging(percent int) supply.Reading {
	r := onBattery(percent)
	r.External = true
	return r
}

// battery has the box live on its battery, and waits until that is known.
func (m *sim) battery(percent int) *state.State { m.t.Helper(); return m.fed(onBattery(percent)) }

func (m *sim) charge(percent int) *state.State { m.t.Helper(); return m.fed(charging(percent)) }

func (m *sim) fed(r supply.Reading) *state.State {
	m.t.Helper()
	m.setSupply(r)
	return m.until("the supply is known", func(st *state.State) bool { return st.Power.Percent == r.Percent && st.Power.External == r.External })
}

// untilParked waits until all work has ended and all drives are let go.
func (m *sim) untilParked() *state.State {
	m.t.Helper()
	return m.until("all is parked", func(st *state.State) bool {
		return st.Power.Level == state.Parked && st.Errand == nil && noneInUse(st) &&
			!slices.ContainsFunc(st.Offloads, func(o state.Offload) bool { return o.Running }) &&
			!slices.ContainsFunc(st.Cards, func(c state.Card) bool { return c.Phase == state.CardLooking || c.Phase == state.CardWorking })
	})
}

func noneInUse(st *state.State) bool {
	return !slices.ContainsFunc(st.Drives, func(d state.Drive) bool { return d.InUse })
}

// waits: a card waits for power, and says so.
func waits(t *testing.T, st *state.State, c *simMedium, words ...string) {
	t.Helper()
	card, ok := cardOf(st, c.name)
	if !ok || card.Phase != state.CardQueued || card.Verdict != state.Hold || card.HoldKind != state.NoHold {
		t.Errorf("%s does not wait:\n%s", c.label, picture(st))
	}
	for _, w := range words {
		if !strings.Contains(card.Reason, w) {
			t.Errorf("%s: %s, want %q", c.label, card.Reason, w)
		}
	}
}

// allGood: nothing tells of the battery any more.
func (m *sim) allGood() *state.State {
	m.t.Helper()
	st := m.untilIdle()
	if len(st.Conditions) != 0 || st.Power.Level != state.Powered {
		m.t.Errorf("left behind: %+v, %+v", st.Conditions, st.Power)
	}
	return st
}
