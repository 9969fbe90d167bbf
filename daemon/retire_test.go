package daemon

import (
	"context"
	"errors"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"bothy/daemon/identity"
	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/status"
)

// retire has a drive retired. From then on the oracle takes no release for founded
// that rests on it, and looks at those that were given before again.
func (m *sim) retire(d *simMedium, named string) *status.Retirement {
	m.t.Helper()
	r, err := m.s.retireDrive(m.t.Context(), named, true)
	if err != nil || !r.Retired {
		m.t.Fatalf("retire %s: %+v, %v", named, r, err)
	}
	d.retired.Store(true)
	m.mu.Lock()
	m.released = map[string]string{}
	m.mu.Unlock()
	return r
}

func (m *sim) enrol(target, name string) error {
	_, err := (actions{m.s}).Enrol(context.WithoutCancel(m.t.Context()), target, name)
	return err
}

func (d *simMedium) identity(t testing.TB) identity.Identity {
	t.Helper()
	data, err := os.ReadFile(d.dir + "/" + identityFile)
	if err != nil {
		t.Fatal(err)
	}
	id, err := identity.Parse(data)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// callItself changes what a drive says of itself.
func (d *simMedium) callItself(t testing.TB, change func(*identity.Identity)) {
	t.Helper()
	id := d.identity(t)
	change(&id)
	data, err := id.Bytes()
	if err == nil {
		err = os.WriteFile(d.dir+"/"+identityFile, data, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func driveCalled(st *state.State, name string) state.Drive {
	i := slices.IndexFunc(st.Drives, func(d state.Drive) bool { return d.Name == name })
	if i < 0 {
		return state.Drive{}
	}
	return st.Drives[i]
}

// A card that is still in and was released for the sake of a copy on a drive that
// is retired then is held, in the ledger as well, until there is another one. To
// ask only changes nothing.
func TestRetire_cardInItsSlot(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a, b)
	id := m.untilReleased(card).OffloadID
	m.untilIdle()
	before := b.tree()
	r, err := m.s.retireDrive(t.Context(), "SKERRY-SDC", false)
	if err != nil || r.Retired || r.Files != 4 || r.CopiesNeeded != 2 || r.Copies != 1 || len(r.Below) != 1 ||
		r.Below[0].OffloadID != id || r.Below[0].Copies != 1 || !slices.Equal(r.Below[0].On, []string{"SKERRY-SDB"}) {
		t.Fatalf("asked: %+v, %v", r, err)
	}
	if !maps.Equal(before, b.tree()) {
		t.Error("to ask has written to the drive")
	}
	m.untilReleased(card)
	if r = m.retire(b, b.name); r.NotMarked != "" || !b.identity(t).Retired {
		t.Errorf("%+v, the drive says %+v", r, b.identity(t))
	}
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "SKERRY-SDC is retired")
	m.untilCondition(state.DriveRetired)
	if o, err := m.s.ledger.Offload(t.Context(), id); err != nil || o.Verdict != "hold" || o.Status != ledger.OffloadOpen {
		t.Errorf("the ledger says %s, %s: %v", o.Verdict, o.Status, err)
	}
	c := m.drive("sdd")
	m.plug(c)
	m.untilReleased(card)
	hasCopy(t, c, card, 1)
	if d := driveNamed(m.untilIdle(), b.name); !d.Retired || !d.Refused || d.Copies != 1 {
		t.Errorf("%+v", d)
	}
	// Enrolled it is as if it had been away.
	if err := m.enrol(b.name, "SKERRY-SDC"); err != nil {
		t.Fatal(err)
	}
	m.until("it is back", func(st *state.State) bool {
		d := driveNamed(st, b.name)
		return !d.Retired && !d.Refused && d.Copies == 1 && idle(st) && !raised(st, state.DriveRetired)
	})
	if b.identity(t).Retired {
		t.Error("the drive says that it is retired")
	}
	hasCopy(t, b, card, 1)
}

// A drive that is lost is retired all the same; what it held counts no more when
// the card comes again, nor after a restart, nor makes others look behind. When it
// turns up it is not written, until somebody enrols it.
func TestRetire_lost(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t)
	m.pull(b)
	m.retire(b, b.identity(t).ID)
	m.plug(card)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "SKERRY-SDC is retired")
	m.stop()
	m.start()
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "SKERRY-SDC is retired")
	st := m.untilIdle()
	if d := driveCalled(st, "SKERRY-SDC"); !d.Retired || d.Attached || d.Copies != 1 {
		t.Errorf("%+v", d)
	}
	if raised(st, state.DriveBehind) {
		t.Errorf("%+v", st.Conditions)
	}
	before := b.tree()
	m.plug(b)
	m.untilCondition(state.DriveRetired)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.untilIdle()
	if !maps.Equal(before, b.tree()) {
		t.Error("it was written to")
	}
	b.retired.Store(false)
	if err := m.enrol(b.name, "SKERRY-SDC"); err != nil {
		t.Fatal(err)
	}
	m.untilReleased(card)
	hasCopy(t, a, card, 1)
	hasCopy(t, b, card, 1)
}

// An offload that only a retired drive holds is no debt of the others.
func TestRetire_noDebt(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a, b := m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a)
	m.untilReleased(card)
	m.pull(card)
	m.pull(a)
	m.plug(b)
	m.until("it lacks what the other has", func(st *state.State) bool { return raised(st, state.DriveBehind) })
	m.retire(a, "SKERRY-SDB")
	m.until("it lacks nothing", func(st *state.State) bool { return !raised(st, state.DriveBehind) && idle(st) })
}

// retiredInMidJob has a card in again whose second copy is on a drive that is away,
// and retires that one when the job comes to an operation on the card.
func retiredInMidJob(t *testing.T, op string) {
	m, card, _, x := shot(t)
	m.pull(x)
	blocked, goOn := make(chan struct{}), make(chan struct{})
	first := true
	card.on(func(did, _ string) error {
		if did == op && first {
			first = false
			close(blocked)
			<-goOn
		}
		return nil
	})
	m.plug(card)
	<-blocked
	m.retire(x, "SKERRY-SDC")
	close(goOn)
	c := m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "SKERRY-SDC is retired")
	m.untilIdle()
	if c.OffloadID == "" {
		return // nothing was copied, so there is nothing to note a verdict with
	}
	if o, err := m.s.ledger.Offload(t.Context(), c.OffloadID); err != nil || o.Verdict != "hold" {
		t.Errorf("the ledger says %s: %v", o.Verdict, err)
	}
}

// Retired while a job judges by its copies: before it judges, and when the verdict
// is given and not yet told.
func TestRetire_whileACardIsJudged(t *testing.T) {
	t.Parallel()
	t.Run("before", func(t *testing.T) {
		t.Parallel()
		retiredInMidJob(t, "list")
	})
	t.Run("after", func(t *testing.T) {
		t.Parallel()
		retiredInMidJob(t, "let go")
	})
}

// Retired after an early release, for it was pulled, while a slow drive still gets
// its copy: the card is held at once, and released with the slow one's.
func TestRetire_afterAnEarlyRelease(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	card, a, b, late := m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.drive("sdc"), m.drive("sdd")
	goOn := make(chan struct{})
	m.engine = (&catching{slow: []*simMedium{late}, behind: func(string) { <-goOn }}).run
	m.start()
	m.plug(card, a, b, late)
	m.until("it is released early", func(st *state.State) bool { return len(st.Cards) == 1 && st.Cards[0].Verdict == state.Release })
	if _, err := m.s.retireDrive(t.Context(), "SKERRY-SDC", true); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "in use") {
		t.Errorf("retired while it is in use: %v", err)
	}
	m.pull(b)
	m.retire(b, "SKERRY-SDC")
	m.until("it is held, at once", func(st *state.State) bool {
		return len(st.Cards) == 1 && st.Cards[0].Verdict == state.Hold && strings.Contains(st.Cards[0].Reason, "SKERRY-SDC is retired")
	})
	close(goOn)
	m.untilReleased(card)
	hasCopy(t, late, card, 1)
}

// Another box has retired the drive: it says so itself, and that counts here, too.
func TestRetire_byAnotherBox(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a, b)
	m.untilReleased(card)
	m.untilIdle()
	m.pull(b)
	b.callItself(t, func(id *identity.Identity) { id.Retired = true })
	m.plug(b)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "SKERRY-SDC is retired")
	m.untilIdle()
	m.pull(b)
	m.stop()
	m.start()
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "SKERRY-SDC is retired")
}

// What is asked for has to be there and to be told apart.
func TestRetire_refuses(t *testing.T) {
	t.Parallel()
	m, _, a, b := shot(t)
	for _, named := range []string{"nobody", "", "sdz"} {
		if _, err := m.s.retireDrive(t.Context(), named, true); !errors.Is(err, ErrRefused) {
			t.Errorf("%q: %v", named, err)
		}
	}
	m.pull(a)
	m.pull(b)
	for _, d := range []*simMedium{a, b} { // another box called it so
		known, _ := m.s.remember(d.identity(t).ID)
		known.Name = "kittiwake"
		if err := m.s.ledger.PutDrive(t.Context(), known); err != nil {
			t.Fatal(err)
		}
	}
	m.stop()
	m.start()
	m.until("it watches", func(st *state.State) bool { return st.Phase == state.Watching })
	if _, err := m.s.retireDrive(t.Context(), "kittiwake", true); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "2 drives are called") {
		t.Errorf("%v", err)
	}
	m.retire(a, a.identity(t).ID)
	if r, err := m.s.retireDrive(t.Context(), "kittiwake", false); err != nil || r.DriveID != b.identity(t).ID {
		t.Errorf("the one in use: %+v, %v", r, err)
	}
}

// Of a card that came again with more on it each file counts where it stands, in
// whichever offload; an attached disk without a serial number is one, and counts
// for nothing once it is away.
func TestRetire_countsByFile(t *testing.T) {
	t.Parallel()
	m, card, _, b := shot(t)
	c := m.drive("sdd")
	m.plug(c)
	m.untilLevel(c, 1)
	m.pull(c)
	card.put("DCIM/100SKUAS/SKUA0099.JPG", 30_000)
	m.plug(card)
	m.untilReleased(card)
	m.pull(card)
	m.untilIdle()
	// a and b hold all, c the first four only.
	r, err := m.s.retireDrive(t.Context(), "SKERRY-SDB", false)
	if err != nil || r.Copies != 2 || r.Files != 1 || r.SizeBytes != 30_000 || len(r.Below) != 1 || !slices.Equal(r.Below[0].On, []string{"SKERRY-SDC"}) {
		t.Errorf("%+v, %v", r, err)
	}
	if r, err = m.s.retireDrive(t.Context(), "SKERRY-SDD", false); err != nil || r.Files != 0 || r.Copies != 1 {
		t.Errorf("the third: %+v, %v", r, err)
	}
	m.pull(b)
	b.key = ""
	m.plug(b)
	m.until("it is back", func(st *state.State) bool { return driveNamed(st, b.name).ID != "" && idle(st) && st.Errand == nil })
	if r, err = m.s.retireDrive(t.Context(), "SKERRY-SDD", false); err != nil || r.Files != 0 {
		t.Errorf("with one that has no serial number, attached: %+v, %v", r, err)
	}
	m.pull(b)
	m.untilIdle()
	if r, err = m.s.retireDrive(t.Context(), "SKERRY-SDD", false); err != nil || r.Files != 4 {
		t.Errorf("with one that has no serial number, away: %+v, %v", r, err)
	}
	b.key = "a number of its own"
	if err := m.s.ledger.PutDrive(t.Context(), ledger.Drive{ID: b.identity(t).ID, Name: "SKERRY-SDC", DiskKey: b.key}); err != nil {
		t.Fatal(err)
	}
	// One that comes while the card is in gets all of it as one offload, which no
	// other drive has; yet others have each of its files.
	e := m.drive("sde")
	m.plug(card, e)
	m.untilReleased(card)
	hasCopy(t, e, card, 1)
	if r, err = m.s.retireDrive(t.Context(), "SKERRY-SDE", false); err != nil || r.Files != 0 || r.Copies != 1 {
		t.Errorf("the only one with all of it in one: %+v, %v", r, err)
	}
}

// A job itself counts no copy on a retired drive, whoever looks over its verdict
// later; not even one that it has just made there.
func TestRetire_noJobCountsIt(t *testing.T) {
	t.Parallel()
	var cfg Config
	cfg.setDefaults()
	plan := &offload.Plan{Files: []offload.Entry{{Path: "a"}}}
	j := &job{task: task{s: newSupervisor(cfg)}, early: newEarly(), plan: plan, tally: newTally(plan)}
	j.box.Copies = 2
	for _, id := range []string{"a", "b"} {
		d := &jobDrive{identity: Identity{ID: id, Name: id}, opened: &Opened{Disks: []string{"sd" + id}}}
		j.drives = append(j.drives, d)
		j.tally.add(0, stand{d.place(), "x-1"})
	}
	if verdict, _, reason := offload.Judge(j.account()); verdict != state.Release {
		t.Fatal(reason)
	}
	j.s.retired.add("b", "kittiwake")
	const want = "needs 1 more drive: kittiwake is retired, so what it holds does not count"
	if verdict, _, reason := offload.Judge(j.account()); verdict != state.Hold || reason != want {
		t.Errorf("%s: %s", verdict, reason)
	}
	r := &recorder{job: j, group: group{plan: plan}}
	if verdict, _, reason := offload.Judge(j.accountSoFar(r, []string{"a", "b"})); verdict != state.Hold {
		t.Errorf("%s: %s", verdict, reason)
	}
}

// What a release rests on tells when it does not stand any more; nothing releases
// nothing.
func TestBasis(t *testing.T) {
	t.Parallel()
	place := func(id string) offload.Place { return offload.Place{DriveID: id, Disks: []string{"sd" + id}} }
	all, some := []offload.Place{place("a"), place("b"), place("c")}, []offload.Place{place("b"), place("c")}
	r := newRetired()
	for name, tc := range map[string]struct {
		places [][]offload.Place
		least  int
	}{
		"none": {nil, 0}, "three": {[][]offload.Place{all, all}, 3}, "the fewest": {[][]offload.Place{all, some, all}, 2}, "one nowhere": {[][]offload.Place{all, nil}, 0},
	} {
		if got := basisOf(offload.Account{Places: tc.places}).least(r); got != tc.least {
			t.Errorf("%s: %d instead of %d", name, got, tc.least)
		}
	}
	r.add("c", "")
	b := basisOf(offload.Account{Places: [][]offload.Place{all, some}})
	if b.least(r) != 1 || !slices.Equal(b.lost(r), []string{"c"}) || len(b) != 2 {
		t.Errorf("%d, %v of %v", b.least(r), b.lost(r), b)
	}
}

// A drive is retired while the word that a card is released is under way to those who
// show it: nobody is told.
func TestRetire_whileAnEarlyReleaseIsUnderWay(t *testing.T) {
	t.Parallel()
	s := stillSupervisor(Config{})
	c := &card{copies: 2, verdict: state.Hold, phase: state.CardWorking}
	j := &job{card: c, early: newEarly()}
	j.early.released, c.job = "4 files, each proven on 2 drives", j
	s.retired.add("a", "Skerry a")
	s.releaseEarly(j, j.releasedEarly(), basis{{{DriveID: "a", Disks: []string{"sdb"}}, {DriveID: "b", Disks: []string{"sdc"}}}})
	if c.verdict == state.Release || j.releasedAlready() != "" || !strings.Contains(c.reason, "Skerry a is retired") {
		t.Errorf("%s: %s; the job says %q", c.verdict, c.reason, j.releasedAlready())
	}
}

// A ledger that fails keeps no card released whose copy is found damaged.
func TestDoubt_withoutALedger(t *testing.T) {
	t.Parallel()
	s := stillSupervisor(Config{})
	s.ledger = openLedger(t)
	if err := s.ledger.Close(); err != nil {
		t.Fatal(err)
	}
	c := &card{verdict: state.Release, phase: state.CardDecided, basis: basis{{{DriveID: "a", Disks: []string{"sdb"}}}}}
	s.cards = append(s.cards, c)
	e := &errand{task: task{s: s}}
	e.damagedNow(t.Context(), errandRecorder{&e.task, "offload", map[string]bool{"DCIM/SKUA0001.JPG": true}})("a", "DCIM/SKUA0001.JPG")
	select {
	case call := <-s.calls:
		call()
	default:
		t.Fatal("nobody is told")
	}
	if c.verdict != state.Hold || c.phase != state.CardQueued {
		t.Errorf("%s, %s", c.verdict, c.phase)
	}
}
