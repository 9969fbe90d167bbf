package daemon

import (
	"errors"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"bothy/daemon/identity"
	"bothy/daemon/state"
)

// image makes a drive that is an image of another.
func (m *sim) image(of *simMedium, name string) *simMedium {
	m.t.Helper()
	d := m.drive(name)
	if err := os.CopyFS(d.dir, os.DirFS(of.dir)); err != nil {
		m.t.Fatal(err)
	}
	d.uuid, d.label = of.uuid, of.label
	return d
}

// An image that comes while the drive is away is on another disk: it is refused and
// not written, until somebody says that it is the drive. Then the other one is not.
func TestClone_whileTheDriveIsAway(t *testing.T) {
	t.Parallel()
	m, card, _, b := shot(t)
	clone := m.image(b, "sdd")
	m.pull(b)
	before := clone.tree()
	m.plug(clone)
	m.untilCondition(state.DriveCloned)
	d := driveNamed(m.untilIdle(), "sdd")
	if !d.Refused || !strings.Contains(d.Reason, "on another disk") || !strings.Contains(d.Reason, "SKERRY-SDC") {
		t.Errorf("%+v", d)
	}
	m.reload <- struct{}{} // decided again it is no other
	card.put("DCIM/100SKUAS/SKUA0099.JPG", 30_000)
	m.plug(card)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive for 1 of 5 files")
	if !maps.Equal(before, clone.tree()) {
		t.Error("the image was written to")
	}
	// With the drive itself there it stays refused, and cannot be enrolled.
	m.plug(b)
	m.untilReleased(card)
	if err := m.enrol("sdd", "kittiwake"); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "attached too") {
		t.Errorf("%v", err)
	}
	if !maps.Equal(before, clone.tree()) {
		t.Error("the image was written to")
	}
	m.pull(b)
	if err := m.enrol("sdd", "SKERRY-SDC"); err != nil {
		t.Fatal(err)
	}
	st := m.untilIdle()
	if raised(st, state.DriveCloned) || driveNamed(st, "sdd").ID != b.identity(t).ID {
		t.Errorf("%+v", st.Conditions)
	}
	// What was on the drive and is not on this one is missed, and brought.
	m.until("it has all, too", func(st *state.State) bool { return len(clone.finished()) == 2 && idle(st) && st.Errand == nil })
	m.pull(clone)
	was := b.tree()
	m.plug(b)
	m.untilCondition(state.DriveCloned)
	m.untilIdle()
	if !maps.Equal(was, b.tree()) {
		t.Error("the one that is not the drive any more was written to")
	}
}

// Drive and image one after the other, which nothing tells apart but that they are
// two bodies: together they are one drive, whatever is proven on either.
func TestClone_oneAfterTheOther(t *testing.T) {
	t.Parallel()
	for _, key := range []string{"", "the serial number of many"} {
		m := newSim(t, 2).start()
		card, a := m.card("sda", "SKUA_1", 4), m.drive("sdb")
		a.key = key
		m.plug(a)
		m.until("the drive is enrolled", func(st *state.State) bool { return driveNamed(st, "sdb").ID != "" && idle(st) })
		early := m.image(a, "sdc")
		m.plug(card)
		m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
		m.untilIdle()
		late := m.image(a, "sdd")
		for _, clone := range []*simMedium{early, late} {
			clone.key = key
			m.pull(a)
			m.plug(clone)
			m.until("it is taken for the drive", func(st *state.State) bool { return driveNamed(st, clone.name).ID != "" && idle(st) && st.Errand == nil })
			m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
			m.plug(a)
			m.untilCondition(state.DriveCloned)
			m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
			m.untilIdle()
			m.pull(a)
			m.pull(clone)
			m.plug(a)
			m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
		}
		m.stop()
	}
}

// A drive keeps its id and all that is known of it under another name; what was
// said of it under the old one is said under the new one.
func TestRename_keepsAllButTheName(t *testing.T) {
	t.Parallel()
	m, _, a, b := shot(t)
	id := a.identity(t).ID
	m.pull(b)
	said := []state.Code{state.DriveUnwell, state.DriveRefused}
	m.s.post(func() {
		for _, code := range said {
			m.s.raise(code, "SKERRY-SDB", "for the test")
		}
	})
	m.until("it is said", func(st *state.State) bool { return raised(st, said[0]) && raised(st, said[1]) })
	for name, why := range map[string]string{"skerry-sdc": "is called", " SKERRY-SDC  ": "is called"} {
		if err := m.enrol("sdb", name); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), why) {
			t.Errorf("%q: %v", name, err)
		}
	}
	if err := m.enrol("sdb", "kittiwake"); err != nil {
		t.Fatal(err)
	}
	check := func(st *state.State) {
		t.Helper()
		d := driveNamed(st, "sdb")
		if d.ID != id || d.Name != "kittiwake" || d.Copies != 1 || !slices.Equal(d.Formerly, []string{"SKERRY-SDB"}) {
			t.Errorf("%+v", d)
		}
		if c := st.Offloads[0].Copies; !slices.ContainsFunc(c, func(c state.Copy) bool { return c.DriveID == id && c.DriveName == "kittiwake" }) {
			t.Errorf("%+v", c)
		}
	}
	st := m.untilIdle()
	check(st)
	for _, code := range said {
		if i := slices.IndexFunc(st.Conditions, func(c state.Condition) bool { return c.Code == code }); i < 0 || st.Conditions[i].Subject != "kittiwake" {
			t.Errorf("%+v", st.Conditions)
		}
	}
	m.stop()
	m.start()
	check(m.until("it is back", func(st *state.State) bool { return driveNamed(st, "sdb").ID != "" && idle(st) && st.Errand == nil }))
	if got := a.identity(t); got.ID != id || got.Name != "kittiwake" {
		t.Errorf("%+v", got)
	}
}

// Two drives that come with one label get two names; two that come with one name
// from elsewhere are told of until one has another.
func TestNames_clash(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	a, b := m.drive("sdb"), m.drive("sdc")
	b.label = "skerry-sdb"
	m.plug(a)
	m.until("it is enrolled", func(st *state.State) bool { return driveNamed(st, "sdb").ID != "" && idle(st) })
	m.plug(b)
	st := m.until("it is enrolled", func(st *state.State) bool { return driveNamed(st, "sdc").ID != "" && idle(st) })
	if name := driveNamed(st, "sdc").Name; name != "skerry-sdb-2" || raised(st, state.DriveNameClash) {
		t.Errorf("%q, %+v", name, st.Conditions)
	}
	m.pull(b)
	b.callItself(t, func(id *identity.Identity) { id.Name = "Skerry-sdb" })
	m.plug(b)
	m.untilCondition(state.DriveNameClash)
	m.untilIdle()
	if err := m.enrol("sdc", "kittiwake"); err != nil {
		t.Fatal(err)
	}
	m.until("it is over", func(st *state.State) bool { return !raised(st, state.DriveNameClash) && idle(st) })
}
