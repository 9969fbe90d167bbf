package daemon

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// A hub drops the card and both drives at once in mid-copy: nothing is finished
// and nothing released, and when all are back the offload goes on to its end.
func TestSupervisor_hubDropsEverything(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc")
	reached, goOn := make(chan struct{}), make(chan struct{})
	card.on(blockOnce("read", "SKUA0003", reached, goOn))
	m.plug(card, a, b)
	<-reached
	m.pull(card, a, b)
	close(goOn)
	m.untilCondition(state.CardGone)
	// What was mounted is let go only when the job has ended.
	st := m.until("the job is over", func(st *state.State) bool { return len(st.Offloads) == 1 && !st.Offloads[0].Running })
	if len(st.Cards) != 0 || len(a.finished())+len(b.finished()) != 0 || len(a.unfinished()) != 1 || len(b.unfinished()) != 1 {
		t.Errorf("after the hub: %v %v", a.tree(), b.tree())
	}
	m.plug(card, a, b)
	m.untilReleased(card)
	if st := m.untilIdle(); len(st.Offloads) != 1 {
		t.Errorf("another offload was begun: %+v", st.Offloads)
	}
}

// The clock falls back five years between two cards: the order of offloads is
// that of their numbers, in this life and in the next.
func TestSupervisor_clockGoesBack(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	var back atomic.Bool
	m.cfg.Now = func() (time.Time, bool) {
		if back.Load() {
			return time.Now().UTC().AddDate(-5, 0, 0), false
		}
		return time.Now().UTC(), true
	}
	m.start()
	first, second, a := m.card("sda", "SKUA_1", 2), m.card("sdd", "SKUA_2", 2), m.drive("sdb")
	m.plug(first, a)
	m.untilReleased(first)
	back.Store(true)
	m.plug(second)
	m.untilReleased(second)
	for life := range 2 {
		if life > 0 {
			m.stop()
			m.start()
			m.untilReleased(second)
		}
		m.untilCondition(state.ClockUntrusted)
		st := m.untilIdle()
		if len(st.Offloads) != 2 || st.Offloads[0].CardLabel != "SKUA_2" || st.Offloads[0].Sequence != 2 || !st.Offloads[0].Ended.Before(st.Offloads[1].Ended) {
			t.Errorf("life %d: the offloads: %+v", life, st.Offloads)
		}
	}
}

// A drive cannot be looked at when a copy's folder gets its name, and holds
// somebody's unfinished work of that very name. When it is seen again, that work
// is not taken for ours, to be gone on with and cleared.
func TestSupervisor_unfinishedOfSomebodyElse(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	m.writePolicy(strings.Replace(simPolicyOf(2), `label = "SKUA*"`, "label = \"SKUA*\"\nfolder = \"{label}\"", 1))
	var begun atomic.Int32 // copies noted when the first engine starts, which is all that a power cut would leave
	m.engine = func(ctx context.Context, job offload.Job) offload.Result {
		if begun.Load() == 0 {
			o, _, err := m.s.ledger.OpenOffload(ctx, cardKey(m.media[0].devices()[0]))
			copies, cerr := m.s.ledger.Copies(ctx, o.ID)
			if err = errors.Join(err, cerr); err != nil {
				t.Error(err)
			}
			begun.Store(int32(len(copies)))
		}
		return offload.Run(ctx, job)
	}
	m.start()
	card, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
	theirs := filepath.Join(b.dir, "SKUA_1"+offload.UnfinishedSuffix, "keep.bin")
	if err := errors.Join(os.Mkdir(filepath.Dir(theirs), 0o755), os.WriteFile(theirs, []byte("not ours"), 0o644)); err != nil {
		t.Fatal(err)
	}
	b.on(failing("lstat", "SKUA_1", syscall.EIO))
	m.plug(card, a, b)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.untilIdle()
	if n := begun.Load(); n != 1 {
		t.Errorf("%d copies were noted as begun, on drives of which one could not be looked at", n)
	}
	m.pull(b)
	b.on(nil)
	m.plug(b)
	m.untilReleased(card)
	if data, err := os.ReadFile(theirs); err != nil || string(data) != "not ours" {
		t.Errorf("somebody else's work: %q, %v", data, err)
	}
}
