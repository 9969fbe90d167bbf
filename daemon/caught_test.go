package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// A card that was let go, after it was released, is needed no more also when the release
// is taken back: another one in its place voids nothing.
func TestAside_takenBackThenSwapped(t *testing.T) {
	t.Parallel()
	held := make(chan struct{})
	l := behind(t, func(l *leftBehind) {
		l.engine.asks = func(string) { <-held }
		l.engine.rotten = func(job offload.Job) map[string][]string {
			for _, d := range job.Drives {
				if below(d.FS).(*simFS).in.simMedium == l.a {
					return map[string][]string{d.ID: {"DCIM/100SKUAS/SKUA0002.JPG"}}
				}
			}
			return nil
		}
	})
	goOn := sync.OnceFunc(func() { close(held) })
	t.Cleanup(goOn)
	l.goOn()
	l.until("the release is taken back", func(st *state.State) bool {
		c, ok := cardOf(st, l.card.name)
		return ok && c.Verdict == state.Hold && driveNamed(st, l.slow.name).InUse
	})
	other := l.sim.card("sda", "SKUA_2", 3)
	l.swap(l.card, other)
	l.until("the other card is seen", func(st *state.State) bool {
		c, ok := cardOf(st, "sda")
		return ok && c.Label == other.label
	})
	goOn()
	l.untilReleased(other)
	offloads, err := l.s.ledger.Whereabouts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range offloads {
		if o.Status == ledger.OffloadVoid {
			t.Errorf("%s is void: %s", o.CardLabel, o.Reason)
		}
	}
}

// A finished copy that turns out damaged while another drive catches up from it
// counts no more; what is left decides.
func TestAside_copyThatRots(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		rotten  func(l *leftBehind) []*simMedium
		verdict state.Verdict
	}{
		"two are left": {func(l *leftBehind) []*simMedium { return []*simMedium{l.a} }, state.Release},
		"one is left":  {func(l *leftBehind) []*simMedium { return []*simMedium{l.a, l.b} }, state.Hold},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			held := make(chan struct{})
			l := behind(t, func(l *leftBehind) {
				l.engine.asks = func(string) { <-held }
				l.engine.rotten = func(job offload.Job) map[string][]string {
					damaged := map[string][]string{}
					for _, d := range job.Drives {
						if slices.Contains(tc.rotten(l), below(d.FS).(*simFS).in.simMedium) {
							damaged[d.ID] = []string{"DCIM/100SKUAS/SKUA0002.JPG"}
						}
					}
					return damaged
				}
			})
			goOn := sync.OnceFunc(func() { close(held) })
			t.Cleanup(goOn)
			l.goOn()
			l.until("the release is taken back, while the slow drive gets its copy", func(st *state.State) bool {
				c, ok := cardOf(st, "sda")
				return ok && c.Verdict == state.Hold && driveNamed(st, "sdd").InUse
			})
			offloads, err := l.s.ledger.Whereabouts(t.Context())
			if err != nil || len(offloads) != 1 || offloads[0].Verdict != string(state.Hold) {
				t.Errorf("the ledger has it otherwise, and would after a power cut, too: %v", err)
			}
			goOn()
			l.untilCondition(state.CopyDamaged)
			st := l.untilIdle()
			if c, _ := cardOf(st, "sda"); c.Verdict != tc.verdict {
				t.Errorf("the card is %s: %s", c.Verdict, c.Reason)
			}
			for _, d := range tc.rotten(l) {
				shown := driveNamed(st, d.name)
				copies, err := l.s.ledger.Copies(context.Background(), st.Offloads[0].ID)
				if err != nil {
					t.Fatal(err)
				}
				for _, c := range copies {
					if c.DriveID == shown.ID && c.Status == ledger.CopyProven {
						t.Errorf("the ledger still calls the copy on %s proven", shown.Name)
					}
				}
				if !shown.Failing {
					t.Errorf("%s is used further", shown.Name)
				}
			}
		})
	}
}

// The same with the engine that is in the box: one drive stops answering for a
// while, in the middle of a file.
func TestAside_engineLetsADriveGo(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b, slow := m.medium("sda", "SKUA_1", "reader-1"), m.drive("sdb"), m.drive("sdc"), m.drive("sdd")
	for i := range 12 { // more than the engine's buffers hold
		card.put(fmt.Sprintf("CLIP%04d.MOV", i+1), 5<<20+i)
	}
	atWrite, goOnWriting := slow.blocked("write", "CLIP0002")
	stall := slow.hook
	_, goOn := slow.blocked("read", "CLIP0003")
	readBack := slow.hook
	slow.on(func(op, name string) error { return errors.Join(stall(op, name), readBack(op, name)) })
	m.plug(card, a, b, slow)
	<-atWrite
	m.until("the slow drive is let go", func(st *state.State) bool {
		return len(st.Offloads) == 1 && slices.ContainsFunc(st.Offloads[0].Copies, func(c state.Copy) bool { return c.Phase == state.CopyBehind })
	})
	goOnWriting()
	m.until("the card is released while the slow drive is behind", func(st *state.State) bool {
		c, ok := cardOf(st, "sda")
		return ok && c.Verdict == state.Release && c.Phase == state.CardDecided && len(slow.finished()) == 0
	})
	m.until("the card is let go", func(*state.State) bool { return card.alive.Load() == 0 })
	m.pull(card)
	second := m.card("sde", "SKUA_2", 3)
	m.plug(second)
	m.until("the next card is released meanwhile", func(st *state.State) bool {
		c, ok := cardOf(st, "sde")
		return ok && c.Verdict == state.Release
	})
	goOn()
	m.untilReleased(second)
	for _, c := range []*simMedium{card, second} {
		if why := unfounded(c, m.media, 3); why != "" {
			t.Errorf("%s: %s", c.label, why)
		}
	}
	if st := m.untilIdle(); len(st.Conditions) > 0 {
		t.Errorf("conditions: %+v", st.Conditions)
	}
}
