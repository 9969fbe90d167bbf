package daemon

import (
	"context"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
)

// leftBehind is a box with two quick drives and a slow one that has been left
// behind: the card is released, and its third copy begins when goOn is called.
type leftBehind struct {
	*sim
	card, a, b, slow *simMedium
	engine           *catching
	goOn             func()
}

func behind(t *testing.T, prepare ...func(l *leftBehind)) *leftBehind {
	t.Helper()
	l := &leftBehind{sim: newSim(t, 2)}
	l.card, l.a, l.b, l.slow = l.sim.card("sda", "SKUA_1", 6), l.drive("sdb"), l.drive("sdc"), l.drive("sdd")
	on, reached := make(chan struct{}), make(chan struct{})
	l.goOn = sync.OnceFunc(func() { close(on) })
	t.Cleanup(l.goOn) // before the daemon's end is waited for
	l.engine = &catching{slow: []*simMedium{l.slow}}
	l.engine.behind = func(label string) {
		if label == "SKUA_1" {
			close(reached)
			<-on
		}
	}
	l.sim.engine = l.engine.run
	for _, p := range prepare {
		p(l)
	}
	l.start()
	l.plug(l.card, l.a, l.b, l.slow)
	<-reached
	l.until("the card is released, and its third copy is not there", func(st *state.State) bool {
		c, ok := cardOf(st, "sda")
		return ok && c.Verdict == state.Release && c.Phase == state.CardDecided && driveNamed(st, "sdd").InUse
	})
	return l
}

// third tells what is wrong with the third copy, or nothing.
func (l *leftBehind) third() string { return unfounded(l.card, l.media, 3) }

func TestAside_cardPulledWhileADriveIsBehind(t *testing.T) {
	t.Parallel()
	l := behind(t)
	l.pull(l.card)
	l.goOn()
	st := l.untilIdle()
	if why := l.third(); why != "" {
		t.Errorf("the third copy is not whole: %s", why)
	}
	if raised(st, state.CardGone) || raised(st, state.CardChanged) {
		t.Errorf("taking a released card out is a fault:\n%s", picture(st))
	}
	o, err := l.s.ledger.Offload(context.Background(), st.Offloads[0].ID)
	if err != nil || o.Verdict != string(state.Release) || o.Status != ledger.OffloadDone || st.Offloads[0].Verdict != state.Release {
		t.Errorf("the offload is %s, %s in the ledger (%v), shown as %s", o.Verdict, o.Status, err, st.Offloads[0].Verdict)
	}
	if st.Offloads[0].Device != "" || st.Offloads[0].Running {
		t.Errorf("the offload is shown in %q, running %v", st.Offloads[0].Device, st.Offloads[0].Running)
	}
	for _, c := range st.Offloads[0].Copies {
		if c.Phase != state.CopyProven {
			t.Errorf("the copy on %s is %s", c.DriveName, c.Phase)
		}
	}
}

// The next card does not wait for a slow drive's copy of the one before, and
// that copy waits for it.
func TestAside_newCardGoesFirst(t *testing.T) {
	t.Parallel()
	var fouls atomic.Int32
	asked := make(chan struct{})
	var once sync.Once
	l := behind(t, func(l *leftBehind) {
		l.engine.asks = func(label string) {
			if label == "SKUA_1" {
				once.Do(func() { close(asked) })
			}
		}
		l.slow.on(func(op, name string) error {
			early := len(l.a.finished()) < 2 || len(l.b.finished()) < 2
			if op == "create" && strings.HasSuffix(name, "SKUA0001.JPG") && early {
				fouls.Add(1)
			}
			return nil
		})
	})
	second := l.sim.card("sde", "SKUA_2", 4)
	at, goOn := second.blocked("read", "SKUA0002")
	l.plug(second)
	<-at // its job has begun beside the first's
	l.goOn()
	<-asked
	goOn()
	l.until("the second card is released", func(st *state.State) bool {
		c, ok := cardOf(st, "sde")
		return ok && c.Verdict == state.Release
	})
	l.untilReleased(second)
	if fouls.Load() > 0 {
		t.Error("the slow drive was written to for the first card before the second had its two copies")
	}
	if why := l.third(); why != "" {
		t.Errorf("the third copy of the first card: %s", why)
	}
	if why := unfounded(second, l.media, 3); why != "" {
		t.Errorf("the third copy of the second card: %s", why)
	}
}

// A reader that stays takes the next card at once; but nothing of it is looked
// at while the old one is still mounted.
func TestAside_nextCardInTheSameReader(t *testing.T) {
	t.Parallel()
	for name, rule := range map[string]string{"known by its label": "", "known by what it holds": `holds = ["DCIM/*"]`} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var reached <-chan struct{}
			var letGo func()
			l := behind(t, func(l *leftBehind) {
				l.writePolicy(l.withRule(rule))
				reached, letGo = l.card.blockedWhen("let go", func() bool { return len(l.b.finished()) == 1 })
			})
			<-reached // the first card is being let go, long before its job ends
			second := l.sim.card("sda", "SKUA_2", 4)
			var gone, early atomic.Bool
			second.on(func(op, _ string) error {
				if op == "mount" && !gone.Load() {
					early.Store(true)
				}
				return nil
			})
			l.swap(l.card, second)
			l.until("the box has seen it", func(st *state.State) bool {
				return len(st.Devices) == 4 && st.Devices[0].Label == "SKUA_2"
			})
			other := l.sim.card("sde", "SKUA_3", 2)
			l.plug(other) // in another reader; it waits for nobody
			l.until("a card elsewhere is released meanwhile", func(st *state.State) bool {
				c, ok := cardOf(st, "sde")
				return ok && c.Verdict == state.Release
			})
			gone.Store(true)
			letGo()
			l.until("the second card is released", func(st *state.State) bool {
				c, ok := cardOf(st, "sda")
				return ok && c.Label == "SKUA_2" && c.Verdict == state.Release
			})
			if early.Load() {
				t.Error("the second card was mounted while the first still was")
			}
			l.goOn()
			l.untilReleased(second)
			if st := l.untilIdle(); raised(st, state.CardChanged) || raised(st, state.CardGone) {
				t.Errorf("conditions: %+v", st.Conditions)
			}
			if why := l.third(); why != "" {
				t.Errorf("the third copy of the first card: %s", why)
			}
		})
	}
}

// blockedWhen is blocked for the first operation of a kind from a moment on.
func (d *simMedium) blockedWhen(op string, when func() bool) (reached <-chan struct{}, goOn func()) {
	there, on := make(chan struct{}), make(chan struct{})
	goOn = sync.OnceFunc(func() { close(on) })
	d.sim.t.Cleanup(goOn)
	block := blockOnce(op, "", there, on)
	d.on(func(did, name string) error {
		if did == op && when() {
			return block(did, name)
		}
		return nil
	})
	return there, goOn
}

// The same card put in again is released from what is known; the drive that is
// just getting its copy does not get another.
func TestAside_sameCardAgain(t *testing.T) {
	t.Parallel()
	l := behind(t)
	l.pull(l.card)
	l.plug(l.card)
	l.untilSaidReleased(l.card)
	l.goOn()
	l.untilReleased(l.card)
	l.until("all drives were tried", func(st *state.State) bool { return idle(st) && len(l.slow.finished()) > 0 })
	for _, d := range []*simMedium{l.a, l.b, l.slow} {
		if n := len(d.finished()) + len(d.unfinished()); n != 1 {
			t.Errorf("%d copies on %s, want 1", n, d.name)
		}
	}
}

// A drive that is put in after the release gets its copy while nobody waits.
func TestAside_lateDrive(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a := m.card("sda", "SKUA_1", 4), m.drive("sdb")
	m.plug(card, a)
	m.untilReleased(card)
	late, second := m.drive("sdc"), m.card("sdd", "SKUA_2", 4)
	var fouls atomic.Int32
	at, goOn := second.blocked("read", "SKUA0002")
	reached, lateOn := late.blocked("create", ".unfinished")
	m.plug(late)
	<-reached // the first card's job is about to begin with it
	m.plug(second)
	<-at // and is overtaken
	card.on(func(op, name string) error {
		if op == "open" && len(a.finished()) < 2 && len(late.finished()) < 1 {
			fouls.Add(1)
		}
		return nil
	})
	lateOn()
	m.until("the engine has begun with it", func(st *state.State) bool {
		return slices.ContainsFunc(st.Offloads, func(o state.Offload) bool {
			return o.CardLabel == "SKUA_1" && o.Running && slices.ContainsFunc(o.Copies, func(c state.Copy) bool { return c.Phase == state.CopyCopying })
		})
	})
	goOn()
	m.untilReleased(second)
	m.untilReleased(card)
	if n := len(late.finished()); n != 2 {
		t.Errorf("%d copies on the late drive, want 2", n)
	}
	if fouls.Load() > 0 {
		t.Error("a released card was read while another was being copied")
	}
}
