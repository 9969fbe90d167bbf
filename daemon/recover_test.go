package daemon

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/klauspost/compress/zstd"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/status"
)

// lostBox is a box that copied a card and is lost, with its ledger.
func lostBox(t *testing.T) (m *sim, card, a, b *simMedium) {
	t.Helper()
	m, card, a, b = shot(t)
	m.stop()
	if err := os.RemoveAll(m.cfg.StateDir); err != nil {
		t.Fatal(err)
	}
	return m, card, a, b
}

// newBox is another box that has met the drives of the lost one already, and was
// told nothing.
func newBox(t *testing.T) (m *sim, card, a, b *simMedium) {
	t.Helper()
	m, card, a, b = lostBox(t)
	hidden := map[string]string{}
	hide := func(from, to string) {
		hidden[to] = from
		if err := os.Rename(from, to); err != nil {
			t.Fatal(err)
		}
	}
	for _, d := range []*simMedium{a, b} {
		for _, name := range d.snapshots() {
			hide(name, d.dir+".ledger")
		}
		hide(d.dir+"/"+filepath.Dir(strings.TrimPrefix(d.finished()[0], d.dir+"/")), d.dir+".copies")
	}
	m.start()
	m.until("both drives are known", func(st *state.State) bool {
		return driveNamed(st, a.name).ID != "" && driveNamed(st, b.name).ID != "" && idle(st) && st.Errand == nil
	})
	m.stop()
	for to, from := range hidden {
		if err := os.Rename(to, from); err != nil {
			t.Fatal(err)
		}
	}
	m.taken(a, b)
	m.start()
	m.until("they are there again", func(st *state.State) bool {
		return driveNamed(st, a.name).ID != "" && driveNamed(st, b.name).ID != "" && idle(st)
	})
	return m, card, a, b
}

// A drive that another box has enrolled is welcomed with its history, unasked.
func TestRecover_unasked(t *testing.T) {
	t.Parallel()
	m, card, a, b := lostBox(t)
	m.start()
	st := m.until("it is known, and proven", func(st *state.State) bool {
		return driveNamed(st, a.name).Copies == 1 && driveNamed(st, b.name).Copies == 1 && st.Errand == nil && idle(st)
	})
	if len(st.Offloads) != 1 || st.Offloads[0].Files != len(card.files) || len(st.Conditions) != 0 {
		t.Errorf("%+v", st.Offloads)
	}
	asItWas(t, a, card)
}

// openLedger opens the box's ledger between two lives.
func (m *sim) openLedger() *ledger.Ledger {
	m.t.Helper()
	l, err := ledger.Open(m.t.Context(), m.cfg.StateDir+"/ledger.db")
	if err != nil {
		m.t.Fatal(err)
	}
	return l
}

// taken has the box believe, between two lives, that it has asked drives already.
func (m *sim) taken(drives ...*simMedium) {
	m.t.Helper()
	l := m.openLedger()
	for _, d := range drives {
		root, err := os.OpenRoot(d.dir)
		if err != nil {
			m.t.Fatal(err)
		}
		sources := ledgersOn(&Opened{FS: &offload.RootFS{Root: root}})
		root.Close()
		sources[""] = takenWhole
		for source, stamp := range sources {
			if err := l.TakeOver(m.t.Context(), d.identity(m.t).ID, source, stamp); err != nil {
				m.t.Fatal(err)
			}
		}
	}
	if err := l.Close(); err != nil {
		m.t.Fatal(err)
	}
}

func (m *sim) recover(d *simMedium) *status.Recovered {
	m.t.Helper()
	found, err := m.s.recoverDrive(m.t.Context(), d.name)
	if err != nil {
		m.t.Fatalf("recover from %s: %v", d.name, err)
	}
	return found
}

// recoverBoth looks through two drives, and nothing that the first tells is given
// to the second before that was asked too: it would get another copy.
func (m *sim) recoverBoth(first, second *simMedium) (byFirst, bySecond *status.Recovered) {
	m.t.Helper()
	read := m.until("a policy is read", func(*state.State) bool { return true }).Counters.PolicyReloads
	under := func(policy string) {
		read++
		m.writePolicy(policy)
		m.reload <- struct{}{}
		m.until("the policy is read", func(st *state.State) bool { return st.Counters.PolicyReloads == read })
	}
	under(strings.Replace(m.policy, "[[drive]]", "[[drive]]\nmirror = \"none\"", 1))
	byFirst, bySecond = m.recover(first), m.recover(second)
	under(m.policy)
	return byFirst, bySecond
}

// snapshots lists the ledgers on a drive.
func (d *simMedium) snapshots() (list []string) {
	for _, name := range d.own() {
		if strings.HasPrefix(name, "ledger-") {
			list = append(list, filepath.Join(d.dir, ownFolder, name))
		}
	}
	return list
}

// From the ledger that the lost box left: everything is known again, nothing is
// proven before it was read, and nothing is released for its sake.
func TestRecover_snapshot(t *testing.T) {
	t.Parallel()
	m, card, a, b := newBox(t)
	before := a.tree()
	found := m.recover(a)
	if found.Snapshots != 1 || found.Offloads != 1 || found.Copies != 2 || found.ByManifest != 0 || found.Missing != 0 || len(found.Refused) != 0 {
		t.Fatalf("%+v", found)
	}
	st := m.until("it is shown", func(st *state.State) bool { return len(st.Offloads) == 1 })
	if o := st.Offloads[0]; strings.HasPrefix(o.ID, m.s.ledger.BoxID()) || o.Files != 4 || o.CardLabel != "SKUA_1" {
		t.Errorf("%+v", o)
	}
	for name, data := range a.tree() {
		if before[name] != data && !strings.Contains(name, "/ascmhl/") {
			t.Errorf("%s was changed", name)
		}
	}
	if again := m.recover(b); again.Offloads != 0 || again.Copies != 0 || again.ByManifest != 0 {
		t.Errorf("the same again: %+v", again)
	}
	// A patrol reads it all.
	m.until("both are proven", func(st *state.State) bool {
		return driveNamed(st, a.name).Copies == 1 && driveNamed(st, b.name).Copies == 1 && st.Errand == nil && idle(st)
	})
	asItWas(t, a, card)
	// Yet the card is copied anew.
	m.plug(card)
	m.untilReleased(card)
	if len(a.finished()) != 2 || len(b.finished()) != 2 {
		t.Errorf("copies %v, %v", a.finished(), b.finished())
	}
}

// Before a patrol has read it nothing counts as proven, and what was damaged in
// the meantime never does.
func TestRecover_damagedSince(t *testing.T) {
	t.Parallel()
	m, _, a, b := newBox(t)
	flipFile(t, a.finished()[0]+"/DCIM/100SKUAS/SKUA0002.JPG")
	m.recover(a)
	m.until("it is found, and healed from the other", func(st *state.State) bool {
		return st.Counters.FilesHealed == 1 && driveNamed(st, a.name).Copies == 1 && driveNamed(st, b.name).Copies == 1 && st.Errand == nil && idle(st)
	})
	if !accepted(a.finished()[0]) {
		t.Error("it does not agree with its manifests")
	}
}

// Without any ledger the manifests tell; the same content on two drives is one
// offload.
func TestRecover_manifests(t *testing.T) {
	t.Parallel()
	m, card, a, b := newBox(t)
	for _, d := range []*simMedium{a, b} {
		for _, name := range d.snapshots() {
			if err := os.Remove(name); err != nil {
				t.Fatal(err)
			}
		}
	}
	byA, byB := m.recoverBoth(a, b)
	if byA.Snapshots != 0 || byA.ByManifest != 1 || byA.Offloads != 1 || byA.Copies != 1 {
		t.Errorf("%+v", byA)
	}
	if byB.ByManifest != 1 || byB.Offloads != 0 || byB.Copies != 1 {
		t.Errorf("%+v", byB)
	}
	st := m.until("both are proven", func(st *state.State) bool {
		return driveNamed(st, a.name).Copies == 1 && driveNamed(st, b.name).Copies == 1 && st.Errand == nil && idle(st)
	})
	if len(st.Offloads) != 1 || st.Offloads[0].Verdict != state.Hold {
		t.Errorf("%+v", st.Offloads)
	}
	// It can be given to a drive that was away.
	late := m.drive("sdd")
	m.plug(late)
	m.untilLevel(late, 1)
	hasCopy(t, late, card, 1)
}

// The copies of a void offload are known, and no others are made of their manifests.
func TestRecover_voidStaysVoid(t *testing.T) {
	t.Parallel()
	m, _, a, _ := shot(t)
	m.stop()
	l := m.openLedger()
	list, err := l.Whereabouts(t.Context())
	if err != nil || len(list) != 1 {
		t.Fatal(list, err)
	}
	if err := errors.Join(l.UpdateOffload(t.Context(), list[0].ID, "hold", "another card appeared", ledger.OffloadVoid, list[0].Ended), l.Close()); err != nil {
		t.Fatal(err)
	}
	m.start()
	m.until("the drive is there", func(st *state.State) bool { return driveNamed(st, a.name).ID != "" && idle(st) })
	if found := m.recover(a); found.ByManifest != 0 || found.Offloads != 0 {
		t.Errorf("%+v", found)
	}
}

// What manifests told of first is no second offload when a ledger tells of it, and
// no drive is given twice what it has.
func TestRecover_manifestsThenLedger(t *testing.T) {
	t.Parallel()
	m, card, a, b := newBox(t)
	for _, name := range b.snapshots() {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
	if byB, _ := m.recoverBoth(b, a); byB.ByManifest != 1 || byB.Offloads != 1 {
		t.Errorf("%+v", byB)
	}
	st := m.until("both are proven", func(st *state.State) bool {
		return driveNamed(st, a.name).Copies == 1 && driveNamed(st, b.name).Copies == 1 && st.Errand == nil && idle(st)
	})
	if len(st.Offloads) != 1 || st.Offloads[0].CardLabel != "SKUA_1" {
		t.Errorf("%+v", st.Offloads)
	}
	hasCopy(t, a, card, 1)
	hasCopy(t, b, card, 1)
	if len(a.finished()) != 1 || len(b.finished()) != 1 {
		t.Errorf("copies %v and %v", a.finished(), b.finished())
	}
}

// A copy that a ledger tells of and that is not there is not taken over.
func TestRecover_copyGone(t *testing.T) {
	t.Parallel()
	m, _, a, _ := newBox(t)
	if err := os.RemoveAll(a.finished()[0]); err != nil {
		t.Fatal(err)
	}
	if found := m.recover(a); found.Missing != 1 || found.Copies != 1 {
		t.Errorf("%+v", found)
	}
}

// Two boxes that shared a drive keep their offloads apart.
func TestRecover_twoBoxes(t *testing.T) {
	t.Parallel()
	m, _, a, b := newBox(t)
	other := m.card("sdf", "SKUA_2", 3)
	m.plug(other)
	m.untilReleased(other)
	m.recoverBoth(a, b)
	st := m.until("both are there", func(st *state.State) bool { return len(st.Offloads) == 2 })
	if st.Offloads[0].ID == st.Offloads[1].ID || st.Offloads[0].Sequence == st.Offloads[1].Sequence {
		t.Errorf("%+v", st.Offloads)
	}
	m.pull(other)
	m.plug(other)
	m.untilReleased(other)
	if n := len(a.finished()); n != 2 {
		t.Errorf("the box's own card was copied twice: %v", a.finished())
	}
}

// What a drive calls a ledger may be anything.
func TestRecover_hostile(t *testing.T) {
	t.Parallel()
	pack := func(data []byte) []byte {
		var out bytes.Buffer
		w, err := zstd.NewWriter(&out)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(data); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	m, _, a, _ := newBox(t)
	whole, err := os.ReadFile(a.snapshots()[0])
	if err != nil {
		t.Fatal(err)
	}
	flipped := bytes.Clone(whole)
	flipped[len(flipped)/2] ^= 1
	for name, data := range map[string][]byte{
		"ledger-empty.db.zst":   nil,
		"ledger-noise.db.zst":   bytes.Repeat([]byte("skua"), 1000),
		"ledger-short.db.zst":   whole[:len(whole)/2],
		"ledger-flipped.db.zst": flipped,
		"ledger-text.db.zst":    pack([]byte("this is no database")),
		"ledger-zeros.db.zst":   pack(make([]byte, 10<<20)),
	} {
		if err := os.WriteFile(filepath.Join(a.dir, ownFolder, name), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink("/etc/passwd", filepath.Join(a.dir, ownFolder, "ledger-link.db.zst")); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(a.dir, ownFolder, "ledger-folder.db.zst"), 0o755); err != nil {
		t.Fatal(err)
	}
	found := m.recover(a)
	if found.Snapshots != 1 || len(found.Refused) != 6 {
		t.Errorf("%+v", found)
	}
	if left, err := filepath.Glob(filepath.Join(m.cfg.StateDir, "recover-*")); err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// A forged ledger cannot have a card released: it says of a card that nobody
// copied that it is proven on both drives.
func TestRecover_forgedLedgerReleasesNothing(t *testing.T) {
	t.Parallel()
	m, _, a, b := newBox(t)
	fresh := m.card("sdf", "SKUA_7", 2)
	forged, err := ledger.Open(t.Context(), filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer forged.Close()
	ids := []string{driveNamed(m.untilIdle(), a.name).ID, driveNamed(m.untilIdle(), b.name).ID}
	var files []ledger.File
	for _, name := range []string{"DCIM/100SKUAS/SKUA0001.JPG", "DCIM/100SKUAS/SKUA0002.JPG"} {
		files = append(files, ledger.File{Path: name, SizeBytes: int64(len(fresh.files[name])), ModTime: shotAt, Algorithm: "xxh128", Checksum: "00", Sample: ""})
	}
	o, err := forged.BeginOffload(t.Context(), ledger.Offload{CardKey: "invented:" + fresh.uuid + ":68719476736", CardLabel: "SKUA_7",
		Folder: "2026-11-26/forged", Verify: "read-back", Checksum: "xxh128", Files: len(files)})
	if err != nil {
		t.Fatal(err)
	}
	var errs []error
	errs = append(errs, forged.RecordFiles(t.Context(), o.ID, files))
	for i, id := range ids {
		errs = append(errs, forged.PutDrive(t.Context(), ledger.Drive{ID: id, Name: "x", DiskKey: string(rune('a' + i))}),
			forged.RecordProven(t.Context(), o.ID, id, []string{files[0].Path, files[1].Path}, ledger.Moment{}),
			forged.PutCopy(t.Context(), ledger.Copy{OffloadID: o.ID, DriveID: id, Folder: "2026-11-26/forged", Status: ledger.CopyProven}))
	}
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, d := range []*simMedium{a, b} {
		if err := os.MkdirAll(filepath.Join(d.dir, "2026-11-26/forged"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	out, err := os.Create(filepath.Join(a.dir, ownFolder, "ledger-forged.db.zst"))
	if err != nil {
		t.Fatal(err)
	}
	if err := forged.Snapshot(t.Context(), out); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	if found := m.recover(a); found.Snapshots != 2 {
		t.Fatalf("%+v", found)
	}
	m.plug(fresh)
	m.untilReleased(fresh) // the oracle has looked at what that rests on
	if !slices.ContainsFunc(a.finished(), func(folder string) bool { return unfoundedIn(fresh, folder) }) {
		t.Errorf("it was not copied: %v", a.finished())
	}
}

// unfoundedIn reports whether a folder holds a card.
func unfoundedIn(card *simMedium, folder string) bool {
	for name, want := range card.files {
		got, err := os.ReadFile(filepath.Join(folder, name))
		if err != nil || !bytes.Equal(got, want) {
			return false
		}
	}
	return true
}

// A drive that this box knows comes back from another one: what was done there is
// known here, and read once. A box that was cut before it had asked asks again.
func TestWelcome_backFromAnotherBox(t *testing.T) {
	t.Parallel()
	m, _, a, b := shot(t)
	var mu sync.Mutex
	asked := 0
	was := m.cfg.Published
	m.cfg.Published = func(st *state.State) {
		if was != nil {
			was(st)
		}
		mu.Lock()
		defer mu.Unlock()
		if st.Errand != nil && st.Errand.Kind == state.ErrandRecover {
			asked++
		}
	}
	here := m.cfg.StateDir
	live := func(dir string, offloads int) {
		t.Helper()
		m.stop()
		m.cfg.StateDir = dir
		m.start()
		m.until("all is known, and proven", func(st *state.State) bool {
			return len(st.Offloads) == offloads && driveNamed(st, a.name).Copies == offloads && driveNamed(st, b.name).Copies == offloads && st.Errand == nil && idle(st)
		})
	}
	times := func() int {
		mu.Lock()
		defer mu.Unlock()
		return asked
	}
	live(here, 1)
	if times() != 0 {
		t.Error("asked about what this box did itself")
	}
	// Known, and never asked: that is what a cut leaves.
	there := here + "-elsewhere"
	if err := os.Mkdir(there, 0o700); err != nil {
		t.Fatal(err)
	}
	l, err := ledger.Open(t.Context(), there+"/ledger.db")
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range []*simMedium{a, b} {
		if err := l.PutDrive(t.Context(), ledger.Drive{ID: d.identity(t).ID, Name: d.identity(t).Name}); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	live(there, 1)
	other := m.card("sde", "SKUA_2", 3)
	m.plug(other)
	m.untilReleased(other)
	m.pull(other)
	m.untilIdle()
	live(here, 2)
	n := times()
	live(here, 2)
	if times() != n {
		t.Error("asked again, with nothing new")
	}
}

// A box that was cut after it had met a drive, and before it had asked it, asks
// when it starts again, also where only manifests tell.
func TestWelcome_asksAgainAfterACut(t *testing.T) {
	t.Parallel()
	m, _, a, b := lostBox(t)
	if err := os.Mkdir(m.cfg.StateDir, 0o700); err != nil {
		t.Fatal(err)
	}
	l := m.openLedger()
	for _, d := range []*simMedium{a, b} {
		if err := l.PutDrive(t.Context(), ledger.Drive{ID: d.identity(t).ID, Name: d.identity(t).Name}); err != nil {
			t.Fatal(err)
		}
		for _, name := range d.snapshots() {
			if err := os.Remove(name); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	m.start()
	m.until("it is known, and proven", func(st *state.State) bool {
		return driveNamed(st, a.name).Copies == 1 && driveNamed(st, b.name).Copies == 1 && st.Errand == nil && idle(st)
	})
}

// forgeLedger leaves on a drive what calls itself the ledger of another box and tells of
// one offload, all of whose copies it calls proven.
func (m *sim) forgeLedger(d *simMedium, f ledger.Found) {
	m.t.Helper()
	ctx := m.t.Context()
	forged, err := ledger.Open(ctx, filepath.Join(m.t.TempDir(), "ledger.db"))
	if err != nil {
		m.t.Fatal(err)
	}
	defer forged.Close()
	for i, c := range f.Copies {
		err = errors.Join(err, forged.PutDrive(ctx, ledger.Drive{ID: c.DriveID, Name: "x"}))
		f.Copies[i].Status = ledger.CopyProven
	}
	if f.Offload.ID == "" {
		f.Offload.ID = "forged-1"
	}
	_, _, imported := forged.Import(ctx, f)
	out, created := os.Create(filepath.Join(d.dir, ownFolder, "ledger-forged.db.zst"))
	if err := errors.Join(err, imported, created); err != nil {
		m.t.Fatal(err)
	}
	if err := errors.Join(forged.Snapshot(ctx, out), out.Close()); err != nil {
		m.t.Fatal(err)
	}
}

// What another ledger calls a copy is nothing that this box has begun: an unfinished
// folder beside it is somebody's, and is not gone on with.
func TestRecover_othersUnfinishedFolder(t *testing.T) {
	t.Parallel()
	m, card, a, _ := shot(t, func(m *sim) {
		m.writePolicy(strings.Replace(m.policy, "[[drive]]", "[patrol]\nhours = 0\n\n[[drive]]\nmirror = \"none\"", 1))
	})
	c := m.drive("sdd")
	m.plug(c)
	st := m.until("it is known", func(st *state.State) bool { return driveNamed(st, c.name).ID != "" && st.Errand == nil && idle(st) })
	theirs := filepath.Join(c.dir, "papers.unfinished", "notes.txt")
	if err := errors.Join(os.Mkdir(filepath.Dir(theirs), 0o755), os.WriteFile(theirs, []byte("of somebody"), 0o644)); err != nil {
		t.Fatal(err)
	}
	files, err := m.s.ledger.Files(t.Context(), st.Offloads[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	m.forgeLedger(a, ledger.Found{
		Offload: ledger.Offload{ID: st.Offloads[0].ID, Folder: "papers", Verify: "read-back", Checksum: "xxh128"}, Files: files,
		Copies: []ledger.Copy{{DriveID: c.identity(t).ID, Folder: "papers"}},
	})
	if found := m.recover(a); found.Copies != 1 {
		t.Fatalf("%+v", found)
	}
	m.plug(card)
	m.untilReleased(card)
	m.until("it has a copy of its own", func(st *state.State) bool { return driveNamed(st, c.name).Copies == 1 && idle(st) })
	if data, err := os.ReadFile(theirs); err != nil || string(data) != "of somebody" {
		t.Errorf("what was somebody's is %.20q now: %v", data, err)
	}
}
