package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
	"bothy/daemon/supply"
	"bothy/policy"
)

func TestLevelOf(t *testing.T) {
	t.Parallel()
	const good, low, parked = state.Powered, state.LowPower, state.Parked
	usual := policy.Power{Begin: 20, Park: 5}
	for _, tc := range []struct {
		r    supply.Reading
		p    policy.Power
		was  state.PowerLevel
		want state.PowerLevel
	}{
		{supply.Reading{}, usual, good, good},
		{supply.Reading{}, usual, parked, good},
		{supply.Reading{HasBattery: true, Doubtful: true}, usual, low, good},
		{charging(0), usual, good, good},
		{charging(0), usual, low, good},
		{charging(7), usual, parked, parked},
		{charging(8), usual, parked, good},
		{charging(0), policy.Power{Begin: 20, Park: 0}, parked, good},
		{onBattery(20), usual, good, good},
		{onBattery(19), usual, good, low},
		{onBattery(5), usual, good, low},
		{onBattery(4), usual, good, parked},
		{onBattery(0), usual, low, parked},
		// It wavers.
		{onBattery(20), usual, low, low},
		{onBattery(22), usual, low, low},
		{onBattery(23), usual, low, good},
		{onBattery(5), usual, parked, parked},
		{onBattery(7), usual, parked, parked},
		{onBattery(8), usual, parked, low},
		{onBattery(22), usual, parked, low},
		{onBattery(23), usual, parked, good},
		{onBattery(7), usual, low, low},
		// Either level may be off.
		{onBattery(0), policy.Power{Begin: 0, Park: 0}, good, good},
		{onBattery(0), policy.Power{Begin: 0, Park: 0}, parked, good},
		{onBattery(0), policy.Power{Begin: 20, Park: 0}, good, low},
		{onBattery(2), policy.Power{Begin: 20, Park: 0}, parked, low},
		{onBattery(6), policy.Power{Begin: 0, Park: 5}, good, good},
		{onBattery(4), policy.Power{Begin: 0, Park: 5}, good, parked},
		{onBattery(8), policy.Power{Begin: 0, Park: 5}, parked, good},
		// There is no more than full.
		{onBattery(99), policy.Power{Begin: 100, Park: 99}, good, low},
		{onBattery(99), policy.Power{Begin: 100, Park: 99}, parked, parked},
		{onBattery(100), policy.Power{Begin: 100, Park: 99}, parked, good},
		// What only a gauge tells counts: nothing says that it charges.
		{supply.Reading{HasBattery: true, HasCharge: true, Percent: 4}, usual, good, parked},
	} {
		if got := levelOf(tc.r, tc.p, tc.was); got != tc.want {
			t.Errorf("%+v by %+v after %q: %q, want %q", tc.r, tc.p, tc.was, got, tc.want)
		}
	}
}

// A supply that does not tell once in a while has told before; one that tells no more
// is not known, and one that hangs is asked one question only.
func TestPower_doubts(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		r, hang, asked := supply.Reading{HasBattery: true, Doubtful: true, Note: "busy"}, make(chan struct{}), 0
		s := stillSupervisor(Config{SupplyEvery: 30 * time.Second, Supply: func() supply.Reading {
			mu.Lock()
			asked++
			now, wait := r, hang
			mu.Unlock()
			if now.Note == "hangs" {
				<-wait
			}
			return now
		}})
		s.policy = &policy.Policy{Power: policy.Power{Begin: 20, Park: 5}}
		told := func(next supply.Reading) state.Power {
			mu.Lock()
			r = next
			mu.Unlock()
			time.Sleep(30 * time.Second) // of the bubble's own clock
			synctest.Wait()
			for len(s.calls) > 0 {
				(<-s.calls)()
			}
			return s.powerShown()
		}
		ctx, end := context.WithCancel(t.Context())
		s.watchPower(ctx)
		if s.looking != 1 {
			t.Error("nothing waits for the first answer")
		}
		silent := r
		if p := told(silent); p.HasCharge || p.Note != "busy" || s.looking != 0 {
			t.Errorf("at first: %+v, looking %d", p, s.looking)
		}
		if p := told(onBattery(4)); p.Level != state.Parked || p.Percent != 4 {
			t.Errorf("it tells: %+v", p)
		}
		for range supplyDoubts - 1 {
			if p := told(silent); p.Level != state.Parked || p.Percent != 4 {
				t.Errorf("once it does not: %+v", p)
			}
		}
		told(onBattery(4))
		for range supplyDoubts - 1 {
			told(silent)
		}
		if p := told(silent); p.Level != state.Powered || p.HasCharge || p.Note != "busy" {
			t.Errorf("it tells no more: %+v", p)
		}
		if p := told(onBattery(19)); p.Level != state.LowPower {
			t.Errorf("it tells again: %+v", p)
		}
		hanging := supply.Reading{Note: "hangs"}
		told(hanging)
		told(hanging)
		told(hanging)
		before := asked
		if p := told(hanging); p.Level != state.Powered || !strings.Contains(p.Note, "does not answer") {
			t.Errorf("it hangs: %+v", p)
		}
		told(hanging)
		if asked != before {
			t.Error("it was asked again while it hung")
		}
		mu.Lock()
		r = onBattery(3)
		mu.Unlock()
		close(hang)
		if p := told(onBattery(3)); p.Level != state.Parked {
			t.Errorf("it has come back: %+v", p)
		}
		end()
		close(s.quit)
		s.work.Wait()
	})
}

// A card that comes while the battery is low waits, is not touched, and has its turn
// when the box is charged.
func TestPower_cardWaits(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	m.setSupply(onBattery(17))
	m.start()
	card, a, b := m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.drive("sdc")
	card.on(func(op, _ string) error {
		if op == "mount" && m.supplied() == onBattery(17) {
			t.Error("a card that waits is mounted")
		}
		return nil
	})
	m.plug(card, a, b)
	st := m.until("it waits", func(st *state.State) bool {
		return len(st.Cards) == 1 && driveNamed(st, "sdb").ID != "" && driveNamed(st, "sdc").ID != "" && noneInUse(st)
	})
	waits(t, st, card, "the battery is at 17 %, and nothing new is begun below 20 %; charge the box")
	low := m.untilCondition(state.PowerLow)
	if low.Detail != "it is at 17 %" || raised(st, state.PowerParked) || st.Power.Level != state.LowPower {
		t.Errorf("%+v, %+v", low, st.Conditions)
	}
	// Neither news nor a level that wavers begins anything.
	m.plug(m.drive("sdd"))
	m.until("it is there", func(st *state.State) bool { return driveNamed(st, "sdd").ID != "" && noneInUse(st) })
	st = m.battery(22)
	waits(t, st, card, "the battery is at 22 %, and nothing new is begun until it is at 23 %; charge the box")
	if len(st.Offloads) != 0 || st.Errand != nil {
		t.Errorf("something was begun:\n%s", picture(st))
	}
	m.setSupply(charging(3))
	m.untilReleased(card)
	m.allGood()
}

// What runs when the battery gets low goes on to its end; nothing follows it.
func TestPower_lowInMidCopy(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, next, a, b := m.card("sda", "SKUA_1", 4), m.card("sdf", "SKUA_2", 2), m.drive("sdb"), m.drive("sdc")
	at, goOn := card.blocked("read", "SKUA0002")
	m.plug(card, a, b)
	<-at
	m.battery(6)
	m.plug(next)
	m.until("the next is seen", func(st *state.State) bool { return len(st.Cards) == 2 })
	goOn()
	st := m.until("the first is released", func(st *state.State) bool {
		c, _ := cardOf(st, card.name)
		return c.Verdict == state.Release && c.Phase == state.CardDecided && noneInUse(st)
	})
	waits(t, st, next, "6 %", "20 %")
	m.battery(23)
	m.untilReleased(next)
	m.allGood()
}

// parkedInMidCopy is a box whose battery got empty when some of a card was proven.
func parkedInMidCopy(t *testing.T) (m *sim, card, a, b *simMedium) {
	t.Helper()
	m = newSim(t, 2).start()
	card, a, b = m.card("sda", "SKUA_1", 99), m.drive("sdb"), m.drive("sdc")
	at, goOn := card.blocked("read", "SKUA0099")
	m.plug(card, a, b)
	<-at
	m.until("a group is proven", func(st *state.State) bool {
		return len(st.Offloads) == 1 && !slices.ContainsFunc(st.Offloads[0].Copies, func(c state.Copy) bool { return c.FilesProven < 64 })
	})
	m.battery(4)
	goOn()
	m.untilParked()
	card.on(nil)
	return m, card, a, b
}

// verdicts are those that the history of the newest offload tells, in a line each.
func (m *sim) verdicts() (list []string) {
	m.t.Helper()
	all, err := m.s.ledger.Offloads(m.t.Context(), 1)
	if err != nil || len(all) != 1 {
		m.t.Fatalf("%v, %v", all, err)
	}
	noted, err := m.s.ledger.Verdicts(m.t.Context(), all[0].ID)
	if err != nil {
		m.t.Fatal(err)
	}
	for _, v := range noted {
		list = append(list, fmt.Sprintf("%s %s: %s", v.Verdict, v.Status, v.Reason))
	}
	return list
}

// Below the lower level what runs is parked: the drives are let go, nothing is called
// failed or finished, no verdict is noted; and it goes on where it was.
func TestPower_parkedInMidCopy(t *testing.T) {
	t.Parallel()
	m, card, a, b := parkedInMidCopy(t)
	st := m.untilParked()
	waits(t, st, card, "the battery is at 4 %, and work is parked below 5 %; charge the box")
	o := st.Offloads[0]
	if o.Verdict != state.Hold || !o.Ended.IsZero() || !strings.Contains(o.Reason, "goes on where it was") || st.Counters.Holds+st.Counters.Releases+st.Counters.CopiesFailed != 0 {
		t.Errorf("%+v, %+v", o, st.Counters)
	}
	for _, c := range o.Copies {
		if c.Phase != state.CopyUnfinished {
			t.Errorf("copy on %s is shown as %s: %s", c.DriveName, c.Phase, c.Reason)
		}
	}
	if len(st.Conditions) != 1 || st.Conditions[0].Code != state.PowerParked || st.Conditions[0].Detail != "it is at 4 %" {
		t.Errorf("conditions: %+v", st.Conditions)
	}
	for _, v := range m.verdicts() {
		if strings.Contains(v, "battery") {
			t.Errorf("a verdict of its own: %s", v)
		}
	}
	if l, err := m.s.ledger.Offload(t.Context(), o.ID); err != nil || l.Status != ledger.OffloadOpen {
		t.Errorf("in the ledger: %+v, %v", l, err)
	}
	// A little more is not enough, nor is enough for it enough to begin again.
	waits(t, m.battery(7), card, "until it is at 8 %")
	st = m.battery(9)
	waits(t, st, card, "9 %", "nothing new is begun below 20 %")
	if raised(st, state.PowerParked) || !raised(st, state.PowerLow) {
		t.Errorf("conditions: %+v", st.Conditions)
	}
	var again creations
	a.on(again.hook)
	m.setSupply(charging(9))
	if c := m.untilReleased(card); c.OffloadID != o.ID {
		t.Errorf("offload %s was begun instead of %s gone on with", c.OffloadID, o.ID)
	}
	if n := len(again.list()); n == 0 || n > 99-64 {
		t.Errorf("%d files were written again, want those that were not proven: %v", n, again.list())
	}
	hasCopy(t, a, card, 1)
	hasCopy(t, b, card, 1)
	m.allGood()
}
