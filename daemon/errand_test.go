package daemon

import (
	"errors"
	"maps"
	"os"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
	"bothy/policy"
)

// on is one copy for the plan of errands.
func on(drive, status string) ledger.Copy {
	return ledger.Copy{DriveID: drive, Status: status, Folder: "2026-11-25/x"}
}

func about(id string, copies ...ledger.Copy) ledger.Whereabouts {
	return ledger.Whereabouts{
		Offload: ledger.Offload{ID: id, Folder: "2026-11-25/" + id, Bytes: 1000, Status: ledger.OffloadDone, Started: ledger.Moment{Wall: shotAt, Trusted: true}},
		Copies:  copies,
	}
}

func covering(w ledger.Whereabouts, drive string) ledger.Whereabouts {
	w.CardLabel = "on " + drive
	return w
}

func bigger(w ledger.Whereabouts, bytes int64) ledger.Whereabouts {
	w.CardKey, w.Bytes = "SKUA_1", bytes
	return w
}

func there(ids ...string) (list []attachedDrive) {
	for _, id := range ids {
		list = append(list, attachedDrive{id: id, token: id + "#1", looked: true})
	}
	return list
}

func TestPlanErrands(t *testing.T) {
	t.Parallel()
	const proven, incomplete, unproven, lost, open = ledger.CopyProven, ledger.CopyIncomplete, ledger.CopyUnproven, ledger.CopyLost, ledger.CopyOpen
	none := func(d []attachedDrive) []attachedDrive { d[len(d)-1].mirror = policy.Mirror{None: true}; return d }
	unlooked := func(d []attachedDrive) []attachedDrive { d[len(d)-1].looked = false; return d }
	aged := func(d []attachedDrive) []attachedDrive {
		d[len(d)-1].mirror = policy.Mirror{Within: 24 * time.Hour}
		return d
	}
	vanished := ledger.Copy{DriveID: "b", Status: lost}
	for _, tc := range []struct {
		name   string
		list   []ledger.Whereabouts
		drives []attachedDrive
		tried  map[string]string
		next   string // kind offload from>to
		behind string // drive: offloads why
	}{
		{"nothing was ever copied", nil, there("a", "b"), nil, "", ""},
		{"level", []ledger.Whereabouts{about("1", on("a", proven), on("b", proven))}, there("a", "b"), nil, "", ""},
		{"one lacks it", []ledger.Whereabouts{about("1", on("a", proven))}, there("a", "b"), nil, "catch-up 1 a>b", ""},
		{"from all that have it", []ledger.Whereabouts{about("1", on("a", proven), on("b", proven))}, there("a", "b", "c", "d"), nil, "catch-up 1 a,b>c,d", ""},
		{"the whole rather than what was saved", []ledger.Whereabouts{about("1", on("a", incomplete), on("b", proven))}, there("a", "b", "c"), nil, "catch-up 1 b>c", ""},
		{"what was saved where nobody has the whole", []ledger.Whereabouts{about("1", on("a", incomplete))}, there("a", "b"), nil, "catch-up 1 a>b", ""},
		{"the whole is away", []ledger.Whereabouts{about("1", on("a", incomplete), on("z", proven))}, there("a", "b"), nil, "", "b: 1 no drive that has them is attached"},
		{"not from what was not read back", []ledger.Whereabouts{about("1", on("a", unproven))}, there("a", "b"), nil, "", ""},
		{"an unfinished copy is completed", []ledger.Whereabouts{about("1", on("a", proven), on("b", open))}, there("a", "b"), nil, "catch-up 1 a>b", ""},
		{"a damaged one is not copied beside itself", []ledger.Whereabouts{about("1", on("a", proven), on("b", lost))}, there("a", "b"), nil, "heal 1 a>b", "b: 1 its own copy is damaged"},
		{"nor healed from what was only saved", []ledger.Whereabouts{about("1", on("a", incomplete), on("b", lost))}, there("a", "b"), nil, "", "b: 1 its own copy is damaged"},
		{"nor again when that went wrong", []ledger.Whereabouts{about("1", on("a", proven), on("b", lost))}, there("a", "b"), map[string]string{"1 b#1": "no room"}, "", "b: 1 its own copy is damaged"},
		{"it is healed before others catch up", []ledger.Whereabouts{about("1", on("a", proven), on("b", lost)), about("2", on("a", proven))}, there("a", "b"), nil, "heal 1 a>b", "b: 1 its own copy is damaged"},
		{"one that is not there any more is", []ledger.Whereabouts{about("1", on("a", proven), vanished)}, there("a", "b"), nil, "catch-up 1 a>b", ""},
		{"nor is copied from it", []ledger.Whereabouts{about("1", on("a", lost))}, there("a", "b"), nil, "", ""},
		{"those that have it are away", []ledger.Whereabouts{about("1", on("z", proven)), about("2", on("z", proven))}, there("a"), nil, "", "a: 2 no drive that has them is attached"},
		{"the fewest copies first", []ledger.Whereabouts{about("1", on("a", proven)), about("2", on("a", proven), on("z", proven))}, there("a", "b"), nil, "catch-up 1 a>b", ""},
		{"then the newest", []ledger.Whereabouts{about("1", on("a", proven)), about("2", on("a", proven))}, there("a", "b"), nil, "catch-up 2 a>b", ""},
		{"what went wrong is not tried again", []ledger.Whereabouts{about("1", on("a", proven)), about("2", on("a", proven))}, there("a", "b"),
			map[string]string{"2 b#1": "no room"}, "catch-up 1 a>b", "b: 1 no room"},
		{"but with another attachment", []ledger.Whereabouts{about("2", on("a", proven))}, there("a", "b"), map[string]string{"2 b#0": "no room"}, "catch-up 2 a>b", ""},
		{"another offload of the card covers it", []ledger.Whereabouts{covering(about("1", on("a", proven)), "b")}, there("a", "b", "c"), nil, "catch-up 1 a>c", ""},
		{"the lesser of one card first", []ledger.Whereabouts{bigger(about("1", on("a", proven)), 10), bigger(about("2", on("a", proven)), 20)}, there("a", "b"), nil, "catch-up 1 a>b", ""},
		{"unless that went wrong", []ledger.Whereabouts{bigger(about("1", on("a", proven)), 1000), bigger(about("2", on("a", proven)), 2000)}, there("a", "b"),
			map[string]string{"1 b#1": "no room"}, "catch-up 2 a>b", "b: 1 no room"},
		{"the rule wants none", []ledger.Whereabouts{about("1", on("a", proven))}, none(there("a", "b")), nil, "", ""},
		{"it is too old", []ledger.Whereabouts{about("1", on("a", proven))}, aged(there("a", "b")), nil, "", ""},
		{"who is back is looked at first", []ledger.Whereabouts{about("1", on("a", proven)), about("2", on("b", proven))}, unlooked(there("a", "b")), nil, "look >b", ""},
		{"unless nothing is known of it", []ledger.Whereabouts{about("1", on("a", proven))}, unlooked(there("a", "b")), nil, "catch-up 1 a>b", ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			p := (&errandPlanner{list: tc.list, drives: tc.drives, tried: tc.tried, at: ledger.Moment{Wall: shotAt.AddDate(0, 0, 3), Trusted: true},
				covered: func(w ledger.Whereabouts, id string) bool { return w.CardLabel == "on "+id }}).plan()
			got := ""
			if p.next != nil {
				got = strings.TrimSpace(p.next.kind+" "+p.next.offload.ID) + " " + strings.Join(p.next.from, ",") + ">" + strings.Join(p.next.to, ",")
			}
			behind := ""
			for id, lag := range p.behind {
				behind += id + ": " + string(rune('0'+lag.offloads)) + " " + lag.why
				if lag.bytes != int64(lag.offloads)*1000 {
					t.Errorf("%s lacks %d bytes", id, lag.bytes)
				}
			}
			if got != tc.next || behind != tc.behind {
				t.Errorf("next %q, want %q; behind %q, want %q", got, tc.next, behind, tc.behind)
			}
		})
	}
}

// Ages are not told by a clock that was not right, then or now.
func TestPlanErrands_clock(t *testing.T) {
	t.Parallel()
	drives := there("a", "b")
	drives[1].mirror = policy.Mirror{Within: 24 * time.Hour}
	for _, trusted := range []struct{ then, now bool }{{true, true}, {true, false}, {false, true}, {false, false}} {
		w := about("1", on("a", ledger.CopyProven))
		w.Started.Trusted = trusted.then
		p := (&errandPlanner{list: []ledger.Whereabouts{w}, drives: drives, at: ledger.Moment{Wall: shotAt.AddDate(0, 0, 3), Trusted: trusted.now},
			covered: func(ledger.Whereabouts, string) bool { return false }}).plan()
		if old := trusted.then && trusted.now; (p.next == nil) != old {
			t.Errorf("%+v: %+v", trusted, p.next)
		}
	}
}

// level: no errand is under way or about to be, and a drive has so many copies.
func (m *sim) untilLevel(d *simMedium, copies int) *state.State {
	m.t.Helper()
	return m.until(d.name+" is level", func(st *state.State) bool {
		return driveNamed(st, d.name).Copies == copies && st.Errand == nil && idle(st)
	})
}

// shot is a box with a card that was released on two drives and taken out.
func shot(t *testing.T, change ...func(*sim)) (m *sim, card, a, b *simMedium) {
	t.Helper()
	m = newSim(t, 2)
	for _, do := range change {
		do(m)
	}
	m.start()
	card, a, b = m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a, b)
	m.untilReleased(card)
	m.pull(card)
	m.untilIdle()
	return m, card, a, b
}

// hasCopy: the drive has exactly so many folders that hold the whole card.
func hasCopy(t *testing.T, d, card *simMedium, n int) {
	t.Helper()
	if why := unfounded(card, []*simMedium{d}, 1); why != "" && n > 0 {
		t.Errorf("%s: %s", d.name, why)
	}
	if list := d.finished(); len(list) != n || len(d.unfinished()) != 0 {
		t.Errorf("%s has %v and %v", d.name, list, d.unfinished())
	}
}

func TestCatchUp_driveThatWasAway(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t)
	before := a.tree()
	late, later := m.drive("sdd"), m.drive("sde")
	m.plug(late, later)
	m.untilLevel(later, 1)
	st := m.untilLevel(late, 1)
	hasCopy(t, late, card, 1)
	hasCopy(t, later, card, 1)
	if !maps.Equal(before, a.tree()) {
		t.Error("what was read from is not as it was")
	}
	if st.Counters.CatchUps != 2 || len(st.Conditions) != 0 {
		t.Errorf("%d copies were caught up, conditions %v", st.Counters.CatchUps, st.Conditions)
	}
	if n := len(st.Offloads[0].Copies); n != 4 {
		t.Errorf("the offload shows %d copies", n)
	}
	// Its history is that of the copy, one generation longer.
	for name := range late.tree() {
		if strings.Contains(name, "/ascmhl/0002_") {
			m.pull(late)
			m.plug(late)
			m.untilLevel(late, 1)
			hasCopy(t, late, card, 1)
			// The card is known to stand on all of them.
			m.plug(card)
			m.untilReleased(card)
			hasCopy(t, b, card, 1)
			hasCopy(t, late, card, 1)
			return
		}
	}
	t.Errorf("there is no second generation: %v", slices.Sorted(maps.Keys(late.tree())))
}

// A rule may want none of it.
func TestCatchUp_notWanted(t *testing.T) {
	t.Parallel()
	m, card, _, _ := shot(t, func(m *sim) {
		m.writePolicy(strings.Replace(m.policy, "[[drive]]", "[[drive]]\nname = \"loan\"\nlabel = \"SKERRY-SDD\"\nmirror = \"none\"\n\n[[drive]]", 1))
	})
	loan, other := m.drive("sdd"), m.drive("sde")
	m.plug(loan, other)
	st := m.untilLevel(other, 1)
	hasCopy(t, loan, card, 0)
	if raised(st, state.DriveBehind) {
		t.Errorf("conditions %v", st.Conditions)
	}
}

// What a copy does not give as the card did is named and had from another one.
func TestCatchUp_damagedSource(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t)
	if st := m.untilIdle(); driveNamed(st, a.name).ID > driveNamed(st, b.name).ID {
		a, b = b, a // the first is read
	}
	for _, folder := range a.finished() {
		flipFile(t, folder+"/DCIM/100SKUAS/SKUA0002.JPG")
	}
	late := m.drive("sdd")
	m.plug(late)
	c := m.untilCondition(state.CopyDamaged)
	if !strings.Contains(c.Detail, "SKUA0002.JPG") || c.Subject != "SKERRY-"+strings.ToUpper(a.name) {
		t.Errorf("%+v", c)
	}
	m.untilLevel(late, 1)
	hasCopy(t, late, card, 1)
	hasCopy(t, b, card, 1)
	// And it is healed.
	m.untilLevel(a, 1)
	hasCopy(t, a, card, 1)
}

// No copy gives the file: the new one stays unfinished, and says so.
func TestCatchUp_noSoundSource(t *testing.T) {
	t.Parallel()
	m, _, a, b := shot(t)
	for _, d := range []*simMedium{a, b} {
		for _, folder := range d.finished() {
			flipFile(t, folder+"/DCIM/100SKUAS/SKUA0002.JPG")
		}
	}
	late := m.drive("sdd")
	m.plug(late)
	m.until("nothing more can be done", func(st *state.State) bool {
		return driveNamed(st, "sdb").Copies == 0 && driveNamed(st, "sdc").Copies == 0 && st.Errand == nil && idle(st)
	})
	if len(late.finished()) != 0 {
		t.Errorf("finished: %v", late.finished())
	}
}

// A drive that is read from is pulled, then all of them; what is there is gone
// on with.
func TestCatchUp_sourcePulled(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t)
	late := m.drive("sdd")
	met, goOn := firstRead("SKUA0002", a, b)
	m.plug(late)
	first := met()
	second := a
	if first == a {
		second = b
	}
	m.pull(first, second)
	goOn()
	m.until("it is said what it lacks", func(st *state.State) bool { return raised(st, state.DriveBehind) && st.Errand == nil && idle(st) })
	if len(late.finished()) != 0 || len(late.unfinished()) != 1 {
		t.Errorf("finished %v, unfinished %v", late.finished(), late.unfinished())
	}
	var written []string
	late.on(func(op, name string) error {
		if op == "create" && strings.HasSuffix(name, ".JPG") {
			written = append(written, name)
		}
		return nil
	})
	m.plug(second)
	st := m.untilLevel(late, 1)
	hasCopy(t, late, card, 1)
	if raised(st, state.DriveBehind) {
		t.Errorf("conditions %v", st.Conditions)
	}
	if len(written) == 0 || len(written) > 4 {
		t.Errorf("%v were written to go on", written)
	}
}

// The same card comes back in the middle of it: it goes first, and no drive gets
// it twice.
func TestCatchUp_sameCardComesBack(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t)
	late := m.drive("sdd")
	atWrite, goOn := late.blocked("write", "SKUA0002")
	m.plug(late)
	<-atWrite
	m.plug(card)
	m.until("the card is seen", func(st *state.State) bool { _, ok := cardOf(st, "sda"); return ok })
	goOn()
	m.untilReleased(card)
	m.untilLevel(late, 1)
	for _, d := range []*simMedium{a, b, late} {
		hasCopy(t, d, card, 1)
	}
}

// It comes back with more on it: every drive gets what it lacks, and nothing
// twice.
func TestCatchUp_cardThatGrew(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t)
	m.pull(b)
	late := m.drive("sdd")
	card.put("DCIM/101SKUAS/SKUA0005.JPG", 30_000)
	m.plug(card, late)
	m.untilReleased(card)
	m.pull(card)
	m.plug(b)
	st := m.until("all are level", func(st *state.State) bool {
		return st.Errand == nil && idle(st) && !raised(st, state.DriveBehind) && len(b.finished()) > 1
	})
	for _, d := range []*simMedium{a, b, late} {
		var found []string
		for name := range d.tree() {
			if strings.HasSuffix(name, ".JPG") {
				found = append(found, name)
			}
		}
		if why := acrossFolders(card, d); why != "" || len(found) != 5 {
			t.Errorf("%s: %s; it has %v\n%s", d.name, why, found, picture(st))
		}
	}
}

// acrossFolders is the file of a card that a drive's finished folders do not
// hold between them.
func acrossFolders(card, d *simMedium) string {
	for name, data := range card.files {
		found := slices.ContainsFunc(d.finished(), func(folder string) bool {
			got, err := os.ReadFile(folder + "/" + name)
			return err == nil && string(got) == string(data)
		})
		if !found {
			return name + " is missing"
		}
	}
	return ""
}

// Another card goes first: it is released while the drive that was away waits
// for its own.
func TestCatchUp_anotherCardGoesFirst(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t)
	late := m.drive("sdd")
	met, goOn := firstRead("SKUA0002", a, b)
	m.plug(late)
	met()
	next := m.card("sdf", "SKUA_2", 3)
	m.plug(next)
	m.untilSaidReleased(next)
	goOn()
	m.untilLevel(late, 2)
	if why := unfounded(card, []*simMedium{late}, 1); why != "" {
		t.Error(why)
	}
	if why := unfounded(next, []*simMedium{late}, 1); why != "" {
		t.Error(why)
	}
}

// The box is told to stop in the middle; its next life goes on with it.
func TestCatchUp_stopped(t *testing.T) {
	t.Parallel()
	m, card, _, _ := shot(t)
	late := m.drive("sdd")
	atWrite, goOn := late.blocked("write", "SKUA0003")
	m.plug(late)
	<-atWrite
	m.end()
	m.until("it stops", func(st *state.State) bool { return st.Phase == state.Stopping })
	goOn()
	m.stop()
	late.on(nil)
	m.start()
	m.untilLevel(late, 1)
	hasCopy(t, late, card, 1)
}

// A copy that somebody has taken away is missed when its drive comes back, and
// is brought again.
func TestCatchUp_copyTakenAway(t *testing.T) {
	t.Parallel()
	m, card, a, _ := shot(t)
	m.pull(a)
	for _, folder := range a.finished() {
		if err := os.RemoveAll(folder); err != nil {
			t.Fatal(err)
		}
	}
	m.plug(a)
	if c := m.untilCondition(state.CopyDamaged); !strings.Contains(c.Detail, "is not there") {
		t.Errorf("%+v", c)
	}
	m.untilLevel(a, 1)
	hasCopy(t, a, card, 1)
}

// What could be saved of a damaged card is brought to other drives too, and
// stays called incomplete.
func TestCatchUp_incomplete(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	card.on(failing("read", "SKUA0002", syscall.EIO))
	m.plug(card, a)
	m.untilHeld(card, state.HoldByFault, "could not be read")
	m.pull(card)
	late := m.drive("sdd")
	m.plug(late)
	m.until("it has it", func(st *state.State) bool { return len(late.finished()) == 1 && st.Errand == nil && idle(st) })
	want, got := a.finished()[0], late.finished()[0]
	if !strings.HasSuffix(got, ".incomplete") || !accepted(got) || strings.TrimPrefix(got, late.dir) != strings.TrimPrefix(want, a.dir) {
		t.Errorf("%s from %s", got, want)
	}
	if len(late.unfinished()) != 0 {
		t.Errorf("%v", late.unfinished())
	}
}

// Somebody's own files in a copy's folder stay where they are.
func TestCatchUp_othersFiles(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t)
	for _, d := range []*simMedium{a, b} {
		for _, folder := range d.finished() {
			if err := os.WriteFile(folder+"/notes of the cook.txt", []byte("soup"), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	late := m.drive("sdd")
	m.plug(late)
	m.untilLevel(late, 1)
	hasCopy(t, late, card, 1)
	if late.holds([]byte("soup")) {
		t.Error("they went along")
	}
}

// flipFile changes one bit of a file.
func flipFile(t *testing.T, name string) {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	data[len(data)/2] ^= 4
	if err := os.WriteFile(name, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// A look at what stands on a drive that gave way is begun again: what it had not
// reached would be taken to be there.
func TestLook_gaveWay(t *testing.T) {
	t.Parallel()
	m, card, a, _ := shot(t)
	m.pull(a)
	m.untilIdle()
	if err := os.RemoveAll(a.finished()[0]); err != nil {
		t.Fatal(err)
	}
	reached, goOn := a.blocked("lstat", "skerry-test-SKUA_1")
	m.plug(a)
	<-reached
	m.until("the look is seen", func(st *state.State) bool { return st.Errand != nil })
	m.lookAround()
	m.until("the policy is read", func(st *state.State) bool { return st.Counters.PolicyReloads == 1 })
	goOn()
	m.until("the copy is brought again", func(st *state.State) bool { return len(a.finished()) == 1 && st.Errand == nil && idle(st) })
	asItWas(t, a, card)
}

// A new copy begins in a folder of its own: what was proven in one that is gone is not
// taken to stand there.
func TestCatchUp_unfinishedFolderGone(t *testing.T) {
	t.Parallel()
	m, _, _, _ := shot(t)
	late := m.drive("sdd")
	late.on(func(op, name string) error {
		if op == "rename" && !strings.HasPrefix(name, ownFolder) {
			return errors.New("invented fault")
		}
		return nil
	})
	m.plug(late)
	m.untilCondition(state.DriveFailing)
	m.untilIdle()
	m.pull(late)
	id, offload := late.identity(t).ID, m.untilIdle().Offloads[0].ID
	if before, err := m.s.ledger.Proven(t.Context(), offload, id); err != nil || len(before) != 4 {
		t.Fatalf("%v are proven, %v: this test shows nothing", before, err)
	}
	for _, folder := range late.unfinished() {
		if err := os.RemoveAll(folder); err != nil {
			t.Fatal(err)
		}
	}
	atFirst, goOn := late.blocked("create", "SKUA0001")
	m.plug(late)
	<-atFirst
	if proven, err := m.s.ledger.Proven(t.Context(), offload, id); err != nil || len(proven) != 0 {
		t.Errorf("%v are proven before anything is there, %v", proven, err)
	}
	goOn()
	m.untilLevel(late, 1)
}
