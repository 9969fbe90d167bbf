package daemon

import (
	"context"
	"strings"
	"testing"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
)

// swapped stops a copy in the middle, exchanges the cards without a moment
// between, and goes on.
func swapped(t *testing.T, m *sim, first, second *simMedium, drives ...*simMedium) {
	t.Helper()
	reached, goOn := make(chan struct{}), make(chan struct{})
	first.on(blockOnce("read", "SKUA0003", reached, goOn))
	m.plug(append(drives, first)...)
	<-reached
	m.swap(first, second)
	m.until("the box has seen it", func(st *state.State) bool {
		c, ok := cardOf(st, second.name)
		return ok && c.Label == second.label
	})
	close(goOn)
}

func TestSupervisor_anotherCardInMidCopy(t *testing.T) {
	t.Parallel()
	for name, partitioned := range map[string][2]bool{
		"whole disks":                 {false, false},
		"partitions":                  {true, true},
		"a partition, then a disk":    {true, false},
		"a whole disk, then one part": {false, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2).start()
			first, second, a, b := m.card("sda", "SKUA_1", 6), m.card("sda", "SKUA_2", 6), m.drive("sdb"), m.drive("sdc")
			for name, data := range second.files {
				other := []byte(strings.Repeat("second", len(data)/6+1))[:len(data)]
				second.putBytes(name, other)
			}
			for i, c := range []*simMedium{first, second} {
				if partitioned[i] {
					c.name = "sda1"
				}
			}
			swapped(t, m, first, second, a, b)
			m.untilHeld(second, state.HoldByFault, "take it out and put it in again")
			m.untilCondition(state.CardChanged)
			st := m.untilIdle()
			o, err := m.s.ledger.Offload(context.Background(), st.Offloads[0].ID)
			if err != nil || o.Status != ledger.OffloadVoid || st.Offloads[0].Verdict != state.Hold {
				t.Errorf("the offload is %s in the ledger (%v), shown as %s", o.Status, err, st.Offloads[0].Verdict)
			}
			for _, data := range second.files {
				if a.holds(data) || b.holds(data) {
					t.Fatal("bytes of the second card stand on a drive")
				}
			}
			if len(a.finished())+len(b.finished()) > 0 {
				t.Errorf("a copy of the first card is called finished: %v", a.finished())
			}
			m.pull(second)
			first.on(nil)
			m.plug(first)
			m.untilReleased(first)
			m.pull(first)
			m.plug(second)
			m.untilReleased(second)
		})
	}
}

// The engine asks the card itself and may know before the list of devices does.
func TestSupervisor_anotherCardSeenByTheEngineFirst(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	first, second, a := m.card("sda", "SKUA_1", 6), m.card("sda", "SKUA_2", 6), m.drive("sdb")
	second.slot = first.slot
	reached, goOn := make(chan struct{}), make(chan struct{})
	first.on(blockOnce("read", "SKUA0003", reached, goOn))
	m.plug(first, a)
	<-reached
	m.mu.Lock()
	m.seq++
	second.seq = m.seq
	m.plugged[0] = second
	m.mu.Unlock()
	close(goOn)
	m.untilCondition(state.CardChanged)
	m.alter(func() {}) // now the list follows
	m.untilHeld(second, state.HoldByFault, "take it out and put it in again")
	m.pull(second)
	m.plug(second)
	m.untilReleased(second)
}

// Whoever takes out a released card while a slow drive still copies may put
// the next one in at once.
func TestSupervisor_nextCardAfterAnEarlyRelease(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	first, second, a, slow := m.card("sda", "SKUA_1", 6), m.card("sda", "SKUA_2", 6), m.drive("sdb"), m.drive("sdc")
	reached, goOn := make(chan struct{}), make(chan struct{})
	slow.on(blockOnce("rename", "", reached, goOn))
	m.plug(first, a, slow)
	<-reached
	m.untilSaidReleased(first)
	m.swap(first, second)
	m.until("the box has seen it", func(st *state.State) bool {
		c, ok := cardOf(st, "sda")
		return ok && c.Label == "SKUA_2"
	})
	close(goOn)
	m.untilReleased(second)
	if st := m.untilIdle(); raised(st, state.CardChanged) || raised(st, state.CardGone) {
		t.Errorf("conditions: %+v", st.Conditions)
	}
}
