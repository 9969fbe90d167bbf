package daemon

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bothy/daemon/state"
)

// How a life began is told apart by what the one before left: an end in order, a
// life that stopped under a kernel that runs on, or under another kernel.
func TestStarts_byHowTheLifeBeforeEnded(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	name := filepath.Join(m.cfg.StateDir, startsFile)
	live := func(during func()) state.Starts {
		t.Helper()
		m.start()
		st := m.until("it watches", func(st *state.State) bool { return st.Phase == state.Watching })
		during()
		m.stop()
		return st.Box.Starts
	}
	var alive []byte // what a life that was killed leaves
	if got := live(func() {
		var err error
		if alive, err = os.ReadFile(name); err != nil {
			t.Fatal(err)
		}
	}); got != (state.Starts{Clean: 1}) {
		t.Errorf("the first: %+v", got)
	}
	if got := live(func() {}); got != (state.Starts{Clean: 2}) {
		t.Errorf("after an end in order: %+v", got)
	}
	leave := func(text string) {
		t.Helper()
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	leave(string(alive))
	if got := live(func() {}); got != (state.Starts{Clean: 1, AfterCrash: 1}) {
		t.Errorf("after a kill: %+v", got)
	}
	boot := moment(m.cfg.Now).BootID
	if boot == "" {
		t.Fatal("this kernel has no boot id")
	}
	leave(strings.Replace(string(alive), boot, "another", 1))
	if got := live(func() {}); got != (state.Starts{Clean: 1, AfterPowerCut: 1}) {
		t.Errorf("after a power cut: %+v", got)
	}
	leave("\x00\x00 torn")
	if got := live(func() {}); got != (state.Starts{Clean: 1}) {
		t.Errorf("after damage: %+v", got)
	}
}

// A hold is told with how long it stands, from its decision on; a card that is
// released, or at work again, is not on hold.
func TestSupervisor_tellsHowLongACardIsHeld(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a)
	var since time.Time
	m.until("it is held", func(st *state.State) bool {
		c, ok := cardOf(st, "sda")
		since = c.HeldSince
		return ok && c.Phase == state.CardDecided && c.Verdict == state.Hold
	})
	if since.IsZero() {
		t.Error("it is not told since when")
	}
	m.plug(m.medium("sdz", "ELSE", "elsewhere"))
	m.until("something else has happened", func(st *state.State) bool {
		if c, _ := cardOf(st, "sda"); !c.HeldSince.Equal(since) {
			t.Errorf("held since %s, and then since %s", since, c.HeldSince)
		}
		return len(st.Devices) == 3
	})
	m.plug(b)
	if c := m.untilReleased(card); !c.HeldSince.IsZero() {
		t.Errorf("released, and held since %s", c.HeldSince)
	}
}
