package daemon

import (
	"strings"
	"sync/atomic"
	"testing"

	"bothy/daemon/state"
)

func TestSupervisor_oneDriveOnly(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	if len(a.finished()) != 1 {
		t.Errorf("the drive that is there has %d copies, want 1", len(a.finished()))
	}
	m.plug(b)
	m.untilReleased(card)
	if len(a.finished()) != 1 || len(b.finished()) != 1 {
		t.Errorf("copies: %v %v, want one each", a.finished(), b.finished())
	}
}

func TestSupervisor_noDrive(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card := m.card("sda", "SKUA_1", 2)
	m.plug(card)
	m.untilHeld(card, state.NeedsDrive, "needs 2 more drives")
	m.plug(m.drive("sdb"), m.drive("sdc"))
	m.untilReleased(card)
}

func TestSupervisor_partitionsOfOneDisk(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb1"), m.drive("sdb2")
	a.disk, b.disk = "sdb", "sdb"
	b.body, b.key = a.body, a.key
	m.plug(card, a, b)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "one disk")
	m.plug(m.drive("sdc"))
	m.untilReleased(card)
}

func TestSupervisor_cardsQueue(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	first, second := m.card("sda", "SKUA_1", 3), m.card("sdb", "SKUA_2", 3)
	reached, goOn := make(chan struct{}), make(chan struct{})
	first.on(blockOnce("read", "SKUA0002", reached, goOn))
	m.plug(first, m.drive("sdc"))
	<-reached
	m.plug(second)
	m.until("the second card says that it waits", func(st *state.State) bool {
		c, ok := cardOf(st, "sdb")
		return ok && c.Phase == state.CardQueued && c.Verdict == state.Hold && strings.Contains(c.Reason, "waits for its turn")
	})
	close(goOn)
	m.untilReleased(first)
	m.untilReleased(second)
}

// blockOnce holds up the first operation of a kind on a file, says so, and
// waits.
func blockOnce(op, file string, reached chan<- struct{}, goOn <-chan struct{}) func(string, string) error {
	var blocked atomic.Bool
	return func(did, name string) error {
		if did == op && strings.Contains(name, file) && blocked.CompareAndSwap(false, true) {
			close(reached)
			<-goOn
		}
		return nil
	}
}
