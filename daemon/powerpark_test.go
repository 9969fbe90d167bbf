package daemon

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// A released card stays released when the catch-up of a slower drive is parked in its
// job; the catch-up goes on later.
func TestPower_parkedWhileADriveIsBehind(t *testing.T) {
	t.Parallel()
	for _, in := range []string{"in", "pulled meanwhile", "pulled and the rule wants no catch-up among drives"} {
		t.Run(in, func(t *testing.T) {
			t.Parallel()
			l := behind(t, func(l *leftBehind) {
				if in == "in" { // then it is the card's own job that goes on with it
					l.writePolicy(strings.Replace(l.policy, "[[drive]]", "[[drive]]\nmirror = \"none\"", 1))
				}
			})
			var last *state.State
			l.until("it is seen", func(st *state.State) bool { last = st; return true })
			before, _ := cardOf(last, l.card.name)
			l.battery(4)
			l.goOn()
			if in != "in" {
				l.pull(l.card)
			}
			st := l.untilParked()
			if in == "in" {
				if c, _ := cardOf(st, l.card.name); c != before {
					t.Errorf("the card was %+v and is %+v", before, c)
				}
			}
			if len(l.slow.finished()) != 0 || st.Counters.Releases != 1 || st.Counters.Holds != 0 || st.Counters.CopiesFailed != 0 {
				t.Errorf("slow has %v; %+v", l.slow.finished(), st.Counters)
			}
			if o := st.Offloads[0]; o.Verdict != state.Release || len(st.Conditions) != 1 || st.Conditions[0].Code != state.PowerParked {
				t.Errorf("offload %s: %s, %+v", o.Verdict, o.Reason, st.Conditions)
			}
			for _, v := range l.verdicts() {
				if strings.Contains(v, "battery") {
					t.Errorf("a verdict of its own: %s", v)
				}
			}
			l.charge(9)
			st = l.until("the third copy is there", func(st *state.State) bool { return len(l.slow.finished()) == 1 && st.Errand == nil && idle(st) })
			if why := l.third(); why != "" || len(l.slow.unfinished()) != 0 {
				t.Errorf("the third copy: %s; unfinished: %v", why, l.slow.unfinished())
			}
			if c, ok := cardOf(st, l.card.name); ok && c.Verdict != state.Release || st.Counters.Releases != 1 {
				t.Errorf("%+v, %d releases", c, st.Counters.Releases)
			}
			l.allGood()
		})
	}
}

// A card is parked while its earlier copies are looked at: what was not looked at
// releases nothing.
func TestPower_parkedWhileCopiesAreLookedAt(t *testing.T) {
	t.Parallel()
	m, card, _, b := copied(t, 5)
	m.pull(card)
	at, goOn := b.blocked("lstat", "SKUA0003")
	m.plug(card)
	<-at
	m.battery(4)
	goOn()
	st := m.untilParked()
	waits(t, st, card, "4 %")
	if st.Counters.Releases != 1 {
		t.Errorf("%d releases", st.Counters.Releases)
	}
	m.charge(9)
	m.untilReleased(card)
	m.allGood()
}

// Levels that the policy changes are in force at once, and a policy that is read again
// begins nothing.
func TestPower_reload(t *testing.T) {
	t.Parallel()
	m, card, a, _ := parkedInMidCopy(t)
	reload := func(levels string, want state.PowerLevel) *state.State {
		t.Helper()
		m.writePolicy(m.policy + "\n[power]\n" + levels)
		n := uint64(0)
		m.until("it is seen", func(st *state.State) bool { n = st.Counters.PolicyReloads; return true })
		m.reload <- struct{}{}
		return m.until(levels, func(st *state.State) bool { return st.Counters.PolicyReloads == n+1 && st.Power.Level == want })
	}
	waits(t, reload("", state.Parked), card, "below 5 %")
	st := reload("park = 4", state.LowPower)
	waits(t, st, card, "the battery is at 4 %, and nothing new is begun below 20 %")
	if len(st.Conditions) != 1 || st.Conditions[0].Code != state.PowerLow {
		t.Errorf("%+v", st.Conditions)
	}
	waits(t, reload("begin = 5\npark = 0", state.LowPower), card, "below 5 %")
	m.writePolicy(m.policy + "\n[power]\nbegin = 4\npark = 0")
	at, goOn := card.blocked("read", "SKUA0099")
	m.reload <- struct{}{}
	<-at
	reload("begin = 0\npark = 5", state.Parked) // and this ends it again
	goOn()
	m.untilParked()
	reload("begin = 0\npark = 0", state.Powered)
	m.untilReleased(card)
	hasCopy(t, a, card, 1)
	m.allGood()
}

// A released card that the policy asks more for is held by that, and not judged before
// there is power; a policy that asks the same leaves it released.
func TestPower_reloadWithAReleasedCard(t *testing.T) {
	t.Parallel()
	m, card, _, _ := copied(t, 3)
	m.battery(4)
	m.lookAround()
	st := m.until("it is read", func(st *state.State) bool { return st.Counters.PolicyReloads == 1 })
	if c, _ := cardOf(st, card.name); c.Verdict != state.Release || c.Phase != state.CardDecided || c.Reason == "" || strings.Contains(c.Reason, "battery") {
		t.Errorf("%+v", c)
	}
	m.writePolicy(strings.Replace(m.policy, "copies = 2", "copies = 3", 1))
	m.reload <- struct{}{}
	waits(t, m.until("it is read", func(st *state.State) bool { return st.Counters.PolicyReloads == 2 }), card, "4 %")
	m.charge(9)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.allGood()
}

// A drive that would bring a held card's release waits too, and the card says so.
func TestPower_driveComesWhileLow(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.battery(10)
	m.plug(b)
	m.until("the card says what it waits for", func(st *state.State) bool {
		c, _ := cardOf(st, card.name)
		return c.HoldKind == state.NeedsDrive && strings.Contains(c.Reason, "needs 1 more drive") && strings.Contains(c.Reason, "; the battery is at 10 %") && noneInUse(st)
	})
	m.charge(10)
	m.untilReleased(card)
	m.allGood()
}

// Whatever becomes of a card while it is parked: it is no fault of its own, and what
// comes back goes on.
func TestPower_cardWhileParked(t *testing.T) {
	t.Parallel()
	t.Run("pulled", func(t *testing.T) {
		t.Parallel()
		m, card, a, _ := parkedInMidCopy(t)
		m.pull(card)
		m.until("it is missed", func(st *state.State) bool { return raised(st, state.CardGone) })
		m.charge(9)
		m.until("power is good", func(st *state.State) bool { return st.Power.Level == state.Powered })
		m.plug(card)
		m.untilReleased(card)
		hasCopy(t, a, card, 1)
		m.allGood()
	})
	t.Run("swapped", func(t *testing.T) {
		t.Parallel()
		m, card, a, _ := parkedInMidCopy(t)
		other := m.card("sda", "SKUA_2", 3)
		m.swap(card, other)
		st := m.until("the other is in", func(st *state.State) bool { return len(st.Cards) == 1 && st.Cards[0].Label == "SKUA_2" })
		waits(t, st, other, "4 %")
		m.charge(9)
		m.untilReleased(other)
		m.pull(other)
		m.plug(card)
		m.untilReleased(card)
		if len(a.finished()) != 2 || len(a.unfinished()) != 0 {
			t.Errorf("%v, %v", a.finished(), a.unfinished())
		}
		m.allGood()
	})
	t.Run("swapped before it is let go", func(t *testing.T) {
		t.Parallel()
		m := newSim(t, 2).start()
		card, other := m.card("sda", "SKUA_1", 5), m.card("sda", "SKUA_2", 3)
		at, goOn := card.blocked("read", "SKUA0003")
		m.plug(card, m.drive("sdb"), m.drive("sdc"))
		<-at
		m.battery(4)
		m.swap(card, other)
		m.until("the other is in", func(st *state.State) bool { return len(st.Cards) == 1 && st.Cards[0].Label == "SKUA_2" })
		goOn()
		m.untilParked()
		m.charge(9)
		m.pull(other)
		m.plug(other)
		m.untilReleased(other)
		m.pull(other)
		m.plug(card)
		m.untilReleased(card)
	})
	t.Run("another drive comes", func(t *testing.T) {
		t.Parallel()
		m, card, a, b := parkedInMidCopy(t)
		c := m.drive("sdd")
		m.pull(b)
		m.plug(c)
		m.until("it is there", func(st *state.State) bool { return driveNamed(st, "sdd").ID != "" && noneInUse(st) })
		m.charge(9)
		m.untilReleased(card)
		hasCopy(t, a, card, 1)
		hasCopy(t, c, card, 1)
		m.allGood()
	})
}

// A stop finds nothing to do when all is parked, whoever waits; one that comes while
// work is being parked waits for that. The next life goes on.
func TestPower_stopWhileParked(t *testing.T) {
	t.Parallel()
	t.Run("parked", func(t *testing.T) {
		t.Parallel()
		m, card, a, _ := parkedInMidCopy(t)
		m.stop()
		m.mu.Lock()
		last := m.current
		m.mu.Unlock()
		if c, _ := cardOf(last, card.name); c.Verdict != state.Hold || !raised(last, state.PowerParked) {
			t.Errorf("at the end:\n%s", picture(last))
		}
		m.start()
		waits(t, m.until("it is in", func(st *state.State) bool { return len(st.Cards) == 1 && st.Power.Level == state.Parked }), card, "4 %")
		m.charge(9)
		m.untilReleased(card)
		hasCopy(t, a, card, 1)
		m.allGood()
	})
	t.Run("somebody waits for a shuttle", func(t *testing.T) {
		t.Parallel()
		m, _, _, _ := shot(t, shuttleRule())
		editor := m.shuttleIn("sdz")
		at, goOn := editor.blocked("create", "SKUA0003")
		answer := make(chan error, 1)
		go func() { _, err := m.handOver(editor, "cards=SKUA_1"); answer <- err }()
		<-at
		m.battery(4)
		goOn()
		m.untilParked()
		m.stop()
		if err := <-answer; !errors.Is(err, errStopping) {
			t.Errorf("%v", err)
		}
	})
	t.Run("in the middle of parking", func(t *testing.T) {
		t.Parallel()
		m := newSim(t, 2).start()
		card, a := m.card("sda", "SKUA_1", 5), m.drive("sdb")
		at, goOn := card.blocked("read", "SKUA0003")
		m.plug(card, a, m.drive("sdc"))
		<-at
		m.battery(4)
		m.end()
		m.until("it says that it stops", func(st *state.State) bool { return st.Phase == state.Stopping })
		goOn()
		m.stop()
		card.on(nil)
		m.setSupply(charging(4))
		m.start()
		m.untilReleased(card)
		hasCopy(t, a, card, 1)
		m.allGood()
	})
}

// However the battery is: where nothing is known of it the box works as ever.
func TestPower_unknown(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card := m.card("sda", "SKUA_1", 3)
	m.battery(4)
	m.plug(card, m.drive("sdb"), m.drive("sdc"))
	m.until("it waits", func(st *state.State) bool { return len(st.Cards) == 1 })
	m.setSupply(onBattery(4))
	r := onBattery(0)
	r.HasCharge, r.Note, r.Doubtful = false, "the gauge does not answer", true
	m.setSupply(r)
	m.untilReleased(card)
	if st := m.allGood(); st.Power.HasCharge || st.Power.Note != r.Note {
		t.Errorf("%+v", st.Power)
	}
}

// A job that was parked and lost its card first, or came to its own end, has that end.
func TestPower_setAside(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		out   outcome
		was   state.Verdict
		phase state.CardPhase
		want  state.Verdict
		holds uint64
		void  bool
	}{
		{outcome{verdict: state.Hold, reason: "x", cardErr: errParked}, state.Hold, state.CardQueued, state.Hold, 0, false},
		{outcome{verdict: state.Hold, reason: "x"}, state.Hold, state.CardQueued, state.Hold, 0, false},
		{outcome{verdict: state.Release, reason: "x", cardErr: errParked}, state.Release, state.CardDecided, state.Release, 0, false},
		{outcome{verdict: state.Release, reason: "x"}, state.Hold, state.CardDecided, state.Release, 0, false},
		{outcome{verdict: state.Hold, reason: "x", cardErr: offload.ErrCardChanged}, state.Hold, state.CardDecided, state.Hold, 1, true},
	} {
		s := stillSupervisor(Config{})
		c := &card{phase: state.CardDecided, verdict: tc.was, reason: "before", tried: map[string]bool{"sdb#1": true}, offloadIDs: []string{"1"}}
		s.setAside(c, tc.out)
		if c.phase != tc.phase || c.verdict != tc.want || s.counters.Holds != tc.holds || c.void != tc.void || !tc.void && len(c.tried) != 0 {
			t.Errorf("%+v: %+v, %d holds", tc.out, c, s.counters.Holds)
		}
		if tc.was == state.Release && (c.reason != "before" || !slices.Equal(c.offloadIDs, []string{"1"})) {
			t.Errorf("the release is another: %+v", c)
		}
	}
}
