package daemon

import (
	"strings"
	"testing"

	"bothy/daemon/state"
)

// A stop ends what goes on beside each other: a copy that fell behind of a card
// that is out, one card in the middle of its copy, and one that waits.
func TestStop_inTheMiddleOfEverything(t *testing.T) {
	t.Parallel()
	l := behind(t)
	l.pull(l.card)
	second, third := l.sim.card("sde", "SKUA_2", 4), l.sim.card("sdf", "SKUA_3", 4)
	at, goOn := second.blocked("read", "SKUA0002")
	l.plug(second, third)
	<-at
	l.end()
	st := l.until("it says that it stops", func(st *state.State) bool { return st.Phase == state.Stopping })
	if c, _ := cardOf(st, "sdf"); c.Phase != state.CardQueued {
		t.Errorf("the third card is %s", c.Phase)
	}
	goOn()
	l.goOn()
	l.stop()
	l.mu.Lock()
	last := l.current
	l.mu.Unlock()
	for _, o := range last.Offloads {
		if want := map[string]state.Verdict{"SKUA_1": state.Release, "SKUA_2": state.Hold}[o.CardLabel]; o.Verdict != want || o.Running {
			t.Errorf("at the end %s is %s (%s), running %v", o.CardLabel, o.Verdict, o.Reason, o.Running)
		}
		if strings.Contains(o.Reason, "context") {
			t.Errorf("%s: %s", o.CardLabel, o.Reason)
		}
	}
	if n := len(l.slow.finished()); n != 0 {
		t.Errorf("the slow drive has %d finished copies of interrupted work", n)
	}
	// The next life begins where this one ended, for all that are in.
	second.on(nil)
	l.sim.engine = nil
	l.start()
	l.untilReleased(second)
	l.untilReleased(third)
	l.plug(l.card)
	l.untilReleased(l.card)
	if why := l.third(); why != "" || len(l.slow.unfinished()) != 0 {
		t.Errorf("the third copy: %s; unfinished: %v", why, l.slow.unfinished())
	}
}

// Two offloads that were open when the power failed are both gone on with. The
// power fails for the daemon alone: what it had written is there, what it had
// in mind is not.
func TestStop_twoOpenOffloadsGoOn(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).inParallel("2").start()
	first, second := m.card("sda", "SKUA_1", 99), m.card("sdb", "SKUA_2", 99)
	a, b := m.drive("sdc"), m.drive("sdd")
	at1, go1 := first.blocked("read", "SKUA0099")
	at2, go2 := second.blocked("read", "SKUA0099")
	m.plug(first, second, a, b)
	<-at1
	<-at2
	st := m.until("both have something proven", func(st *state.State) bool {
		proven := 0
		for _, o := range st.Offloads {
			for _, c := range o.Copies {
				if c.FilesProven >= 64 {
					proven++
				}
			}
		}
		return proven == 4
	})
	was := map[string]string{}
	for _, o := range st.Offloads {
		was[o.CardLabel] = o.ID
	}
	m.end()
	m.until("it says that it stops", func(st *state.State) bool { return st.Phase == state.Stopping })
	go1()
	go2()
	m.stop()
	if n := len(a.unfinished()) + len(b.unfinished()); n != 4 {
		t.Fatalf("%d unfinished folders, want 4", n)
	}
	first.on(nil)
	second.on(nil)
	var again creations
	a.on(again.hook)
	m.start()
	for _, c := range []*simMedium{first, second} {
		if card := m.untilReleased(c); card.OffloadID != was[c.label] {
			t.Errorf("%s: offload %s was begun instead of %s gone on with", c.label, card.OffloadID, was[c.label])
		}
	}
	if n := len(a.unfinished()) + len(b.unfinished()); n != 0 || len(a.finished()) != 2 {
		t.Errorf("%d unfinished folders, finished %v", n, a.finished())
	}
	if n := len(again.list()); n == 0 || n > 2*(99-64) {
		t.Errorf("%d files were written again to one drive, want those that were not proven", n)
	}
}
