package daemon

import (
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"bothy/daemon/state"
)

// inParallel allows n cards at once.
func (m *sim) inParallel(n string) *sim {
	m.policy = strings.Replace(m.policy, "[box]\n", "[box]\nparallel = "+n+"\n", 1)
	m.writePolicy(m.policy)
	return m
}

// blocked makes an operation on a file of a medium wait until goOn is called.
func (d *simMedium) blocked(op, file string) (reached <-chan struct{}, goOn func()) {
	there, on := make(chan struct{}), make(chan struct{})
	var once bool
	goOn = func() {
		if !once {
			once = true
			close(on)
		}
	}
	d.sim.t.Cleanup(goOn) // before the daemon's end is waited for
	d.on(blockOnce(op, file, there, on))
	return there, goOn
}

// firstRead makes the reading of a file wait on either medium; met waits until it is
// read, and says from which one.
func firstRead(file string, a, b *simMedium) (met func() *simMedium, goOn func()) {
	atA, goOnA := a.blocked("read", file)
	atB, goOnB := b.blocked("read", file)
	return func() *simMedium {
			select {
			case <-atA:
				return a
			case <-atB:
				return b
			}
		}, func() {
			goOnA()
			goOnB()
		}
}

func TestParallel_twoCardsAtOnce(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).inParallel("2").start()
	first, second, third := m.card("sda", "SKUA_1", 3), m.card("sdb", "SKUA_2", 3), m.card("sdf", "SKUA_3", 2)
	a, b := m.drive("sdc"), m.drive("sdd")
	m.plug(a, b)
	m.until("both drives are known", func(st *state.State) bool {
		return driveNamed(st, "sdc").ID != "" && driveNamed(st, "sdd").ID != "" && idle(st)
	})
	var mounts, most atomic.Int32
	a.on(func(op, _ string) error {
		if op == "mount" {
			mounts.Add(1)
			most.Store(max(most.Load(), a.alive.Load()+1))
		}
		return nil
	})
	at1, go1 := first.blocked("read", "SKUA0002")
	at2, go2 := second.blocked("read", "SKUA0002")
	m.plug(first)
	<-at1
	m.plug(second)
	<-at2 // while the first is in the middle
	m.plug(third)
	st := m.until("the third waits", func(st *state.State) bool {
		c, ok := cardOf(st, "sdf")
		return ok && c.Phase == state.CardQueued
	})
	for _, name := range []string{"sda", "sdb"} {
		if c, _ := cardOf(st, name); c.Phase != state.CardWorking {
			t.Errorf("%s is %s while both are being copied", name, c.Phase)
		}
	}
	go2()
	m.until("the second is released, the first is not", func(st *state.State) bool {
		c, _ := cardOf(st, "sdb")
		o, _ := cardOf(st, "sda")
		return c.Verdict == state.Release && o.Phase == state.CardWorking && driveNamed(st, "sdc").InUse && driveNamed(st, "sdd").InUse
	})
	go1()
	m.untilReleased(first)
	m.untilReleased(second)
	m.untilReleased(third)
	if mounts.Load() > 3 || most.Load() != 1 {
		t.Errorf("a drive was mounted %d times for 3 cards, %d times at once", mounts.Load(), most.Load())
	}
	if n := len(a.finished()); n != 3 {
		t.Errorf("%d copies on a drive, want 3", n)
	}
}

func TestParallel_oneAtATime(t *testing.T) {
	t.Parallel()
	for name, set := range map[string]func(m *sim, a *simMedium){
		"unless told":               func(*sim, *simMedium) {},
		"parallel = 1":              func(m *sim, _ *simMedium) { m.inParallel("1") },
		"a rotating drive":          func(m *sim, a *simMedium) { m.inParallel("4"); a.turns = true },
		"a rule that proves after":  func(m *sim, _ *simMedium) { m.policy += "read_back = \"after\"\n"; m.inParallel("4") },
		"a partition of a rotating": func(m *sim, a *simMedium) { m.inParallel("4"); a.turns, a.name, a.disk = true, "sdc1", "sdc" },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 1)
			cards := []*simMedium{m.card("sda", "SKUA_1", 3), m.card("sdb", "SKUA_2", 3), m.card("sdd", "SKUA_3", 3)}
			a := m.drive("sdc")
			set(m, a)
			m.start()
			m.plug(a)
			m.until("the drive is known", func(st *state.State) bool { return driveNamed(st, a.name).ID != "" && idle(st) })
			var reached []<-chan struct{}
			var goOn []func()
			for _, c := range cards {
				there, on := c.blocked("read", "SKUA0002")
				reached, goOn = append(reached, there), append(goOn, on)
				m.plug(c)
				m.until("it is seen", func(st *state.State) bool { _, ok := cardOf(st, c.name); return ok })
			}
			for i, c := range cards {
				<-reached[i]
				for _, later := range cards[i+1:] {
					m.until("later ones wait", func(st *state.State) bool {
						now, _ := cardOf(st, c.name)
						then, _ := cardOf(st, later.name)
						return now.Phase == state.CardWorking && then.Phase == state.CardQueued
					})
				}
				goOn[i]()
			}
			for _, c := range cards {
				m.untilReleased(c)
			}
		})
	}
}

// A rotating drive that only one of the cards uses keeps nobody waiting.
func TestParallel_rotatingDriveOfOneOnly(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).inParallel("2").start()
	first, second := m.card("sda1", "SKUA_1", 3), m.card("sdb", "SKUA_2", 3)
	turns, a := m.drive("sdb2"), m.drive("sdc")
	turns.turns, turns.disk, second.name, second.disk = true, "sdb", "sdb1", "sdb" // no drive for the second card
	first.disk = "sda"
	at1, go1 := first.blocked("read", "SKUA0002")
	at2, go2 := second.blocked("read", "SKUA0002")
	m.plug(first, turns, a, second)
	<-at1
	<-at2
	go1()
	go2()
	m.untilReleased(first)
	m.untilReleased(second)
}

func stoppedClock() (time.Time, bool) { return shotAt, true }

// Cards of one label that come at one second get folders of their own.
func TestParallel_sameLabelAtTheSameSecond(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).inParallel("3")
	m.cfg.Now = stoppedClock
	m.start()
	a, b := m.drive("sdc"), m.drive("sdd")
	m.plug(a, b)
	m.until("both are known", func(st *state.State) bool {
		return driveNamed(st, "sdc").ID != "" && driveNamed(st, "sdd").ID != "" && idle(st)
	})
	cards := []*simMedium{m.card("sda", "SKUA_1", 3), m.card("sdb", "SKUA_1", 4), m.card("sde", "skua_1", 5)}
	m.writePolicy(strings.Replace(m.policy, `"SKUA*"`, `["SKUA*", "skua*"]`, 1))
	m.reload <- struct{}{}
	// The first has its name and has not made its folder yet.
	reached, goOn := a.blocked("create", ".unfinished")
	m.plug(cards...)
	<-reached
	m.until("all have begun", func(st *state.State) bool { return len(st.Offloads) == 3 })
	goOn()
	for _, c := range cards {
		m.untilReleased(c)
	}
	for _, d := range []*simMedium{a, b} {
		var names []string
		for _, f := range d.finished() {
			names = append(names, strings.ToLower(filepath.Base(f)))
		}
		slices.Sort(names)
		if n := len(slices.Compact(names)); n != 3 {
			t.Errorf("3 cards share the names %q", names)
		}
	}
}
