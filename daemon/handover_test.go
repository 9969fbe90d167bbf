package daemon

import (
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"bothy/daemon/state"
	"bothy/daemon/status"
)

// shuttleRule takes drives called SKERRY-EDIT*.
func shuttleRule(lines ...string) func(*sim) {
	return func(m *sim) {
		rule := "[[drive]]\nname = \"editor\"\nlabel = \"SKERRY-EDIT*\"\nreserve = \"1MB\"\nrole = \"shuttle\"\n" + strings.Join(lines, "\n") + "\n\n[[drive]]"
		m.writePolicy(strings.Replace(m.policy, "[[drive]]", rule, 1))
	}
}

func (m *sim) shuttle(name string) *simMedium {
	m.t.Helper()
	return m.medium(name, "SKERRY-EDIT-"+strings.ToUpper(name), "bay-"+name)
}

// shuttleIn is one that is plugged in and ready.
func (m *sim) shuttleIn(name string) *simMedium {
	m.t.Helper()
	d := m.shuttle(name)
	m.plug(d)
	m.ready(d)
	return d
}

// ready waits until a drive can be used and nothing goes on.
func (m *sim) ready(d *simMedium) {
	m.t.Helper()
	m.until(d.name+" is ready", func(st *state.State) bool { return driveNamed(st, d.name).ID != "" && st.Errand == nil && idle(st) })
}

func (m *sim) handOver(d *simMedium, selection ...string) (*status.HandedOver, error) {
	m.t.Helper()
	return m.s.handOverByHand(m.t.Context(), d.label, selection)
}

// handed is handOver of which everything must be there.
func (m *sim) handed(d *simMedium, selection ...string) *status.HandedOver {
	m.t.Helper()
	h, err := m.handOver(d, selection...)
	if err != nil || h.Missing != 0 || len(h.Undelivered) != 0 {
		m.t.Fatalf("%+v, %v", h, err)
	}
	return h
}

func jpg(kind string, numbers ...int) (list []string) {
	for _, n := range numbers {
		list = append(list, fmt.Sprintf("%sDCIM/100SKUAS/SKUA%04d.JPG", kind, n))
	}
	return list
}

// Just what is chosen is brought, proven, with manifests that stand alone; more of
// it later makes one more generation; and what is there is not brought again.
func TestHandover_byHand(t *testing.T) {
	t.Parallel()
	m, card, _, _ := shot(t, shuttleRule())
	other := m.card("sde", "SKUA_2", 3)
	m.plug(other)
	m.untilReleased(other)
	m.pull(other)
	editor := m.shuttleIn("sdz")
	if got := carried(t, editor); len(got) != 0 {
		t.Fatalf("it was filled unasked: %v", got)
	}
	h := m.handed(editor, "cards=SKUA_1", "files=*0002.jpg", "files=*0003.JPG")
	if h.Files != 2 || h.Delivered != 2 || h.Already != 0 || h.Offloads != 1 {
		t.Errorf("%+v", h)
	}
	if got, want := carried(t, editor), jpg("part/", 2, 3); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	soundDelivery(t, editor, card, other)
	before := editor.tree()
	if h := m.handed(editor, "cards=SKUA_1", "files=*0002.jpg"); h.Delivered != 0 || h.Already != 1 {
		t.Errorf("again: %+v", h)
	}
	for name, was := range before {
		if !strings.Contains(name, "reports/") && editor.tree()[name] != was {
			t.Errorf("%s has changed", name)
		}
	}
	if h := m.handed(editor, "files=*0001.JPG", "files=*0002.JPG"); h.Delivered != 3 || h.Offloads != 2 {
		t.Errorf("more: %+v", h)
	}
	if got, want := carried(t, editor), append(jpg("part/", 1, 1), jpg("part/", 2, 2, 3)...); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	soundDelivery(t, editor, card, other)
	if n := manifestsOf(editor, "0002_"); n != 1 {
		t.Errorf("%d second generations", n)
	}
	if h := m.handed(editor, "all"); h.Delivered != 2 {
		t.Errorf("all: %+v", h)
	}
	if got := carried(t, editor); len(got) != 7 {
		t.Errorf("%v", got)
	}
	soundDelivery(t, editor, card, other)
}

func manifestsOf(d *simMedium, prefix string) (n int) {
	for name := range d.tree() {
		if strings.HasPrefix(filepath.Base(name), prefix) && strings.HasSuffix(name, ".mhl") {
			n++
		}
	}
	return n
}

// What a rule selects is brought unasked, whole offloads with their history; the
// shuttle that comes back is level, and gets what is new.
func TestHandover_byRule(t *testing.T) {
	t.Parallel()
	m, card, _, _ := shot(t, shuttleRule(`select = { cards = "SKUA_1" }`))
	editor := m.shuttle("sdz")
	m.plug(editor)
	m.until("it is filled", func(st *state.State) bool { return len(editor.finished()) == 1 && st.Errand == nil && idle(st) })
	if got, want := carried(t, editor), jpg("", 1, 2, 3, 4); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if n := manifestsOf(editor, "0002_"); n != 1 {
		t.Errorf("%d second generations", n)
	}
	soundDelivery(t, editor, card)
	m.pull(editor)
	other := m.card("sde", "SKUA_2", 3)
	card.put("DCIM/101SKUAS/SKUA0005.JPG", 30_000)
	m.plug(other)
	m.untilReleased(other)
	m.pull(other)
	m.plug(card)
	m.untilReleased(card)
	m.pull(card)
	var written []string
	editor.on(func(op, name string) error {
		if op == "create" && strings.HasSuffix(name, ".JPG") {
			written = append(written, name)
		}
		return nil
	})
	m.plug(editor)
	m.until("it has what is new", func(st *state.State) bool {
		return len(editor.finished()) == 2 && st.Errand == nil && idle(st) && !raised(st, state.DriveBehind)
	})
	if len(written) != 1 || !strings.HasSuffix(written[0], "SKUA0005.JPG") {
		t.Errorf("written: %v", written)
	}
	soundDelivery(t, editor, card)
}

// A shuttle counts for no release: not by hand, not by rule, not with all of a
// card, and not with what it was given before it was one.
func TestHandover_countsForNothing(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		rule  string
		words []string
		holds bool
	}{
		"whole":                {"", []string{"all"}, true},
		"a part":               {"", []string{"files=*0001.JPG"}, true},
		"a part that counts":   {"counts = true", []string{"files=*0001.JPG"}, true},
		"completed, counts":    {"counts = true", []string{"files=*0001.JPG", "all"}, true},
		"whole, counts, again": {"counts = true", []string{"all", "all"}, false},
		"whole, and counts":    {"counts = true", []string{"all"}, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2)
			shuttleRule(tc.rule)(m)
			m.start()
			card, a, editor := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.shuttle("sdz")
			m.plug(card, a, editor)
			m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
			m.ready(editor)
			if got := carried(t, editor); len(got) != 0 {
				t.Fatalf("a card was copied to it: %v", got)
			}
			for _, words := range tc.words {
				m.handed(editor, words)
			}
			if tc.holds {
				m.pull(card)
				m.plug(card)
				m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
				m.pull(editor, card)
				m.plug(card)
				m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
			} else {
				m.untilReleased(card)
			}
			if n := len(a.finished()); n != 1 {
				t.Errorf("%d copies on the drive", n)
			}
		})
	}
}

// A drive with copies that released a card becomes a shuttle: they count no more,
// here or away, until it is a drive again.
func TestHandover_driveBecomesShuttle(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, editor := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.shuttle("sdz")
	m.plug(card, a, editor)
	m.untilReleased(card)
	m.untilIdle()
	plain := m.policy
	shuttleRule()(m)
	m.reload <- struct{}{}
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive") // which is in still
	m.pull(card)
	m.plug(card)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.pull(editor, card)
	m.plug(card)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.pull(card)
	m.plug(editor)
	m.ready(editor)
	if h := m.handed(editor, "all"); h.Already != 3 || h.Delivered != 0 {
		t.Errorf("%+v", h)
	}
	soundDelivery(t, editor, card)
	carried(t, editor) // the ledger's copy is gone
	m.writePolicy(plain)
	m.reload <- struct{}{}
	m.until("it is a drive again", func(st *state.State) bool { return driveNamed(st, editor.name).Copies == 1 && idle(st) })
	m.plug(card)
	m.untilReleased(card)
}

// It becomes one while a card is copied to it.
func TestHandover_becomesShuttleInMidCopy(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, editor := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.shuttle("sdz")
	atWrite, goOn := editor.blocked("write", "SKUA0002")
	m.plug(card, a, editor)
	<-atWrite
	shuttleRule()(m)
	m.reload <- struct{}{}
	m.until("the policy is read", func(st *state.State) bool { return st.Counters.PolicyReloads > 0 })
	goOn()
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	if st := m.untilIdle(); driveNamed(st, editor.name).Copies != 0 {
		t.Error("what it got counts")
	}
}

// It becomes one while its copies are proven again: a card that was released for
// them is held as soon as that lets go of it.
func TestHandover_becomesShuttleInMidPatrol(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	var ahead atomic.Int64
	m.cfg.Now = func() (time.Time, bool) { return time.Now().UTC().Add(time.Duration(ahead.Load())), true }
	m.start()
	card, a, editor := m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.shuttle("sdz")
	m.plug(card, a, editor)
	m.untilReleased(card)
	m.untilIdle()
	reached, goOn := editor.blocked("read", "SKUA0002")
	ahead.Store(int64(31 * 24 * time.Hour))
	m.lookAround()
	<-reached
	m.until("the patrol is seen", func(st *state.State) bool { return st.Errand != nil })
	shuttleRule()(m)
	m.reload <- struct{}{}
	m.until("the policy is read", func(st *state.State) bool { return st.Counters.PolicyReloads > 1 })
	goOn()
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.until("the patrol goes on with the other drive", func(st *state.State) bool { return st.Counters.Patrols == 1 && idle(st) })
}

func refusedWith(t *testing.T, err error, want string) {
	t.Helper()
	var refusal status.Refusal
	if !errors.As(err, &refusal) || !strings.Contains(err.Error(), want) {
		t.Errorf("%v; want a refusal with %q", err, want)
	}
}

func TestHandover_refusesBadInput(t *testing.T) {
	t.Parallel()
	m, _, a, _ := shot(t, shuttleRule())
	editor := m.shuttleIn("sdz")
	before := editor.tree()
	_, err := m.handOver(a, "all")
	refusedWith(t, err, "is no shuttle")
	_, err = m.s.handOverByHand(t.Context(), "nobody", []string{"all"})
	refusedWith(t, err, "no drive \"nobody\" is attached")
	_, err = m.handOver(editor)
	refusedWith(t, err, "selects nothing; say with --select what is to go with it")
	_, err = m.handOver(editor, "days=yesterday")
	refusedWith(t, err, "matches no day")
	if h := m.handed(editor, "cards=PUFFIN*"); h.Files != 0 {
		t.Errorf("%+v", h)
	}
	if !maps.Equal(before, editor.tree()) {
		t.Error("something was written")
	}
}

// What does not fit is refused before the first byte, with what would make room.
func TestHandover_full(t *testing.T) {
	t.Parallel()
	m, card, _, _ := shot(t, shuttleRule())
	editor := m.shuttleIn("sdz")
	before := editor.tree()
	editor.free.Store(3_000_000)
	_, err := m.handOver(editor, "all")
	refusedWith(t, err, "the drive is full")
	refusedWith(t, err, " on "+editor.label+", choose less, or attach a larger shuttle")
	if !maps.Equal(before, editor.tree()) {
		t.Error("something was written")
	}
	if st := m.untilIdle(); raised(st, state.DriveFull) {
		t.Errorf("%v", st.Conditions)
	}
	editor.free.Store(0)
	m.handed(editor, "all")
	soundDelivery(t, editor, card)
}
