package daemon

import (
	"path"
	"slices"
	"strings"
	"sync"
	"testing"

	"bothy/daemon/state"
)

// creations counts which files were made on a drive.
type creations struct {
	mu    sync.Mutex
	names []string // guarded by mu
}

func (c *creations) hook(op, name string) error {
	if op == "create" && strings.HasSuffix(name, ".JPG") {
		c.mu.Lock()
		c.names = append(c.names, path.Base(name))
		c.mu.Unlock()
	}
	return nil
}

func (c *creations) list() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.names)
}

// The engine flushes and proves small files in groups of 64; the card is pulled
// when the first group is proven.
func TestSupervisor_cardPulledInMidCopy(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 99), m.drive("sdb"), m.drive("sdc")
	reached, goOn := make(chan struct{}), make(chan struct{})
	card.on(blockOnce("read", "SKUA0099", reached, goOn))
	m.plug(card, a, b)
	<-reached
	m.until("a group is proven", func(st *state.State) bool {
		return len(st.Offloads) == 1 && !slices.ContainsFunc(st.Offloads[0].Copies, func(c state.Copy) bool { return c.FilesProven < 64 })
	})
	m.pull(card)
	close(goOn)
	st := m.until("work has ended", func(st *state.State) bool { return idle(st) && len(st.Offloads) == 1 && !st.Offloads[0].Running })
	if o := st.Offloads[0]; o.Verdict != state.Hold || !strings.Contains(o.Reason, "pulled") {
		t.Errorf("offload: %s: %s", o.Verdict, o.Reason)
	}
	for _, c := range st.Offloads[0].Copies {
		if c.Phase != state.CopyUnfinished {
			t.Errorf("copy on %s is shown as %s", c.DriveName, c.Phase)
		}
	}
	if !raised(st, state.CardGone) || raised(st, state.DriveFailing) {
		t.Errorf("conditions: %+v", st.Conditions)
	}
	var again creations
	a.on(again.hook)
	card.on(nil)
	m.plug(card)
	if c := m.untilReleased(card); c.OffloadID != st.Offloads[0].ID {
		t.Errorf("offload %s was begun instead of %s gone on with", c.OffloadID, st.Offloads[0].ID)
	}
	for _, name := range again.list() {
		if name <= "SKUA0064.JPG" {
			t.Errorf("%s was proven and is written again", name)
		}
	}
	if st := m.untilIdle(); raised(st, state.CardGone) || len(a.unfinished())+len(b.unfinished()) > 0 || len(a.finished()) != 1 {
		t.Errorf("conditions %v, folders %v %v", st.Conditions, a.finished(), a.unfinished())
	}
}

// A card that goes while the drives are being mounted is no fault of theirs.
func TestSupervisor_cardPulledWhileDrivesAreMounted(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 2), m.drive("sdb"), m.drive("sdc")
	m.plug(a, b)
	m.until("both drives are known", func(st *state.State) bool {
		return len(st.Drives) == 2 && idle(st) && st.Drives[0].ID != "" && st.Drives[1].ID != ""
	})
	reached, goOn := make(chan struct{}), make(chan struct{})
	b.on(blockOnce("mount", "", reached, goOn))
	m.plug(card)
	<-reached
	m.pull(card)
	close(goOn)
	st := m.untilIdle()
	if slices.ContainsFunc(st.Drives, func(d state.Drive) bool { return d.Failing }) {
		t.Errorf("a drive is set aside:\n%s", picture(st))
	}
	m.plug(card)
	m.untilReleased(card)
}

func TestSupervisor_drivePulledInMidCopy(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 10), m.drive("sdb"), m.drive("sdc")
	reached, goOn := make(chan struct{}), make(chan struct{})
	b.on(blockOnce("write", "SKUA0005", reached, goOn))
	m.plug(card, a, b)
	<-reached
	m.pull(b)
	close(goOn)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "the drive is gone")
	m.untilCondition(state.DriveGone)
	if len(a.finished()) != 1 || len(b.finished()) != 0 || len(b.unfinished()) != 1 {
		t.Errorf("copies: %v, and on the pulled drive %v %v", a.finished(), b.finished(), b.unfinished())
	}
	m.plug(b)
	m.untilReleased(card)
	if st := m.untilIdle(); raised(st, state.DriveGone) || len(b.unfinished()) != 0 {
		t.Errorf("conditions %v, unfinished %v", st.Conditions, b.unfinished())
	}
}

func TestSupervisor_stopInMidCopy(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 40), m.drive("sdb"), m.drive("sdc")
	reached, goOn := make(chan struct{}), make(chan struct{})
	card.on(blockOnce("read", "SKUA0035", reached, goOn))
	m.plug(card, a, b)
	<-reached
	id := m.until("it is copied", func(st *state.State) bool { return len(st.Offloads) == 1 }).Offloads[0].ID
	m.end()
	m.until("it says that it stops", func(st *state.State) bool { return st.Phase == state.Stopping })
	close(goOn)
	m.stop()
	m.mu.Lock()
	last := m.current
	m.mu.Unlock()
	if c, _ := cardOf(last, "sda"); c.Verdict != state.Hold || strings.Contains(c.Reason, "context") {
		t.Errorf("at the end the card is %s: %s", c.Verdict, c.Reason)
	}
	if o := last.Offloads[0]; o.Verdict != state.Hold || strings.Contains(o.Reason, "context") {
		t.Errorf("at the end the offload is %s: %s", o.Verdict, o.Reason)
	}
	card.on(nil)
	m.start()
	if c := m.untilReleased(card); c.OffloadID != id {
		t.Errorf("the next life began offload %s instead of going on with %s", c.OffloadID, id)
	}
	if len(a.finished()) != 1 || len(a.unfinished()) != 0 {
		t.Errorf("folders: %v %v", a.finished(), a.unfinished())
	}
	for _, o := range m.untilIdle().Offloads {
		if strings.Contains(o.Reason, "context") {
			t.Errorf("offload %s: %s", o.ID, o.Reason)
		}
	}
}

// A slow drive does not delay the release, and taking the released card out is
// no fault.
func TestSupervisor_slowDrive(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b, slow := m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.drive("sdc"), m.drive("sdd")
	reached, goOn := make(chan struct{}), make(chan struct{})
	slow.on(blockOnce("rename", "", reached, goOn))
	m.plug(card, a, b, slow)
	<-reached
	st := m.until("released while the slow drive is at work", func(st *state.State) bool {
		c, ok := cardOf(st, "sda")
		return ok && c.Phase == state.CardDecided && c.Verdict == state.Release
	})
	if len(slow.finished()) != 0 || idle(st) {
		t.Errorf("the slow drive had ended already")
	}
	m.pull(card)
	close(goOn)
	st = m.untilIdle()
	if raised(st, state.CardGone) || raised(st, state.CardChanged) {
		t.Errorf("taking a released card out is a fault:\n%s", picture(st))
	}
	if st.Offloads[0].Verdict != state.Release {
		t.Errorf("the released offload is now %s: %s", st.Offloads[0].Verdict, st.Offloads[0].Reason)
	}
}

// A card must confirm itself before it is released, also when nothing had to
// be copied and nobody has told the box that it is gone.
func TestSupervisor_cardGoneBeforeTheRelease(t *testing.T) {
	t.Parallel()
	m, card, _, b := copied(t, 3)
	m.pull(card)
	reached, goOn := make(chan struct{}), make(chan struct{})
	b.on(blockOnce("mount", "", reached, goOn))
	m.plug(card)
	<-reached
	m.mu.Lock()
	m.plugged = slices.DeleteFunc(m.plugged, func(d *simMedium) bool { return d == card })
	m.mu.Unlock()
	close(goOn)
	m.untilHeld(card, state.HoldByFault, "pulled before it was released")
}
