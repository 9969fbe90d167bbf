package daemon

import (
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"bothy/daemon/checksum"
	"bothy/daemon/mhl"
	"bothy/daemon/state"
	"bothy/policy"
)

// aged is a box whose card was copied long ago: a patrol is due as soon as the
// box is asked to look around.
func aged(t *testing.T, change ...func(*sim)) (m *sim, card, a, b *simMedium) {
	t.Helper()
	var ahead atomic.Int64
	m, card, a, b = shot(t, append(change, func(m *sim) {
		m.cfg.Now = func() (time.Time, bool) { return time.Now().UTC().Add(time.Duration(ahead.Load())), true }
	})...)
	ahead.Store(int64(31 * 24 * time.Hour))
	return m, card, a, b
}

// lookAround has the box plan anew.
func (m *sim) lookAround() { m.reload <- struct{}{} }

// own lists what the box keeps of its own on a drive.
func (d *simMedium) own() (list []string) {
	entries, err := os.ReadDir(filepath.Join(d.dir, ownFolder))
	if err != nil {
		d.sim.t.Fatal(err)
	}
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return list
}

// asItWas: a drive holds the card, and nothing of the box's work is left.
func asItWas(t *testing.T, d, card *simMedium) {
	t.Helper()
	hasCopy(t, d, card, 1)
	for _, name := range d.own() {
		if name != "drive.toml" && !strings.HasPrefix(name, "ledger-") {
			t.Errorf("%s is left on %s", name, d.name)
		}
	}
}

func generations(t *testing.T, d *simMedium) *mhl.History {
	t.Helper()
	root, err := os.OpenRoot(d.finished()[0])
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	h, err := mhl.Open(root)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// What was proven long ago is proven again, and the copy's history says so.
func TestPatrol_provesAgain(t *testing.T) {
	t.Parallel()
	m, card, a, b := aged(t)
	m.lookAround()
	st := m.until("both are proven again", func(st *state.State) bool { return st.Counters.Patrols == 2 && st.Errand == nil && idle(st) })
	if len(st.Conditions) != 0 {
		t.Errorf("conditions %v", st.Conditions)
	}
	for _, d := range []*simMedium{a, b} {
		asItWas(t, d, card)
		h := generations(t, d)
		if len(h.Generations) != 2 || h.Generations[1].Process != mhl.InPlace || len(h.Generations[1].Files) != len(card.files) || h.Generations[1].Files[0].Action != mhl.Verified {
			t.Errorf("%s: %d generations, the newest %+v", d.name, len(h.Generations), h.Generations[len(h.Generations)-1])
		}
	}
	// Not before it is due again; and the card is still known.
	m.lookAround()
	m.plug(card)
	m.untilReleased(card)
	if st := m.untilIdle(); st.Counters.Patrols != 2 {
		t.Errorf("%d patrols", st.Counters.Patrols)
	}
}

// The policy may want none.
func TestPatrol_never(t *testing.T) {
	t.Parallel()
	m, _, a, _ := aged(t, func(m *sim) { m.writePolicy(m.policy + "\n[patrol]\nhours = 0\n") })
	read := false
	a.on(func(op, _ string) error { read = read || op == "read"; return nil })
	m.lookAround()
	m.until("it was read again", func(st *state.State) bool { return st.Counters.PolicyReloads == 1 && idle(st) })
	m.stop()
	if read {
		t.Error("it was patrolled")
	}
}

// A damaged file is named, and healed from another copy.
func TestPatrol_findsAndHeals(t *testing.T) {
	t.Parallel()
	for name, harm := range map[string]func(t *testing.T, file string){
		"a flipped bit": flipFile,
		"it is missing": func(t *testing.T, file string) {
			if err := os.Remove(file); err != nil {
				t.Fatal(err)
			}
		},
		"it is shorter": func(t *testing.T, file string) {
			if err := os.Truncate(file, 100); err != nil {
				t.Fatal(err)
			}
		},
		"a folder has its name": func(t *testing.T, file string) {
			if err := errors.Join(os.Remove(file), os.Mkdir(file, 0o755)); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m, card, a, b := aged(t)
			harm(t, a.finished()[0]+"/DCIM/100SKUAS/SKUA0002.JPG")
			harm(t, a.finished()[0]+"/DCIM/100SKUAS/SKUA0004.JPG")
			before := b.tree()
			m.lookAround()
			m.until("it is named", func(st *state.State) bool {
				return slices.ContainsFunc(st.Conditions, func(c state.Condition) bool {
					return c.Code == state.CopyDamaged && strings.Contains(c.Detail, "SKUA0002.JPG")
				})
			})
			m.until("it is healed", func(st *state.State) bool { return st.Counters.FilesHealed == 2 && st.Errand == nil && idle(st) })
			asItWas(t, a, card)
			m.until("nothing is said of damage any more", func(st *state.State) bool { return !raised(st, state.CopyDamaged) })
			for name, data := range before {
				if b.tree()[name] != data && !strings.HasSuffix(name, mhl.ChainName) {
					t.Errorf("%s changed on the drive that was read", name)
				}
			}
			if st := m.untilIdle(); driveNamed(st, a.name).Copies != 1 || driveNamed(st, b.name).Copies != 1 {
				t.Errorf("copies %+v", st.Drives)
			}
		})
	}
}

// Without another copy nothing is touched; when one comes it is healed.
func TestPatrol_nothingToHealFrom(t *testing.T) {
	t.Parallel()
	m, card, a, b := aged(t)
	m.pull(b)
	file := a.finished()[0] + "/DCIM/100SKUAS/SKUA0002.JPG"
	flipFile(t, file)
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	m.lookAround()
	m.until("it counts no more", func(st *state.State) bool {
		return raised(st, state.CopyDamaged) && driveNamed(st, a.name).Copies == 0 && st.Errand == nil && idle(st)
	})
	if got, err := os.ReadFile(file); err != nil || string(got) != string(want) {
		t.Errorf("the damaged file was touched: %v", err)
	}
	m.stop()
	m.start()
	if c := m.untilCondition(state.CopyDamaged); !strings.Contains(c.Detail, "not proven any more") {
		t.Errorf("after a start it is said only: %+v", c)
	}
	m.plug(b)
	m.until("it is healed", func(st *state.State) bool { return st.Counters.FilesHealed == 1 && st.Errand == nil && idle(st) })
	asItWas(t, a, card)
}

// A copy is held against what the card gave, not against its own manifests.
func TestPatrol_believesNoManifest(t *testing.T) {
	t.Parallel()
	m, card, a, _ := aged(t)
	folder := a.finished()[0]
	flipFile(t, folder+"/DCIM/100SKUAS/SKUA0002.JPG")
	forge(t, folder)
	if !accepted(folder) {
		t.Fatal("the forged history does not agree with the folder, so this test shows nothing")
	}
	m.lookAround()
	m.untilCondition(state.CopyDamaged)
	m.until("it is looked after", func(st *state.State) bool { return st.Errand == nil && idle(st) && st.Counters.Patrols > 0 })
	// Its history cannot be mended, so it must not count.
	if st := m.untilIdle(); driveNamed(st, a.name).Copies != 0 {
		t.Errorf("it counts: %s", unfounded(card, []*simMedium{a}, 1))
	}
}

// forge makes a history that agrees with whatever is in a folder.
func forge(t *testing.T, folder string) {
	t.Helper()
	if err := os.RemoveAll(filepath.Join(folder, mhl.FolderName)); err != nil {
		t.Fatal(err)
	}
	gen := mhl.Generation{Folder: filepath.Base(folder), Process: mhl.Transfer, At: shotAt, ClockTrusted: true}
	err := filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		name, _ := filepath.Rel(folder, path)
		if err != nil || name == "." {
			return err
		}
		if e.IsDir() {
			gen.Dirs = append(gen.Dirs, name)
			return nil
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		sum, err := checksum.New(checksum.XXH128)
		if err != nil {
			return err
		}
		sum.Write(data)
		gen.Files = append(gen.Files, mhl.FileHash{Path: name, SizeBytes: int64(len(data)), Algorithm: checksum.XXH128, Value: sum.Sum(), Action: mhl.Original, HashedAt: shotAt})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	if _, err := mhl.Append(root, gen, nil); err != nil {
		t.Fatal(err)
	}
}

// A card goes first, while a drive is being patrolled.
func TestPatrol_cardGoesFirst(t *testing.T) {
	t.Parallel()
	m, card, a, b := aged(t)
	met, goOn := firstRead("SKUA0002", a, b)
	m.lookAround()
	met()
	next := m.card("sdf", "SKUA_2", 0)
	next.put("DCIM/100TERNS/TERN0001.JPG", 30_000)
	m.plug(next)
	m.untilSaidReleased(next)
	goOn()
	m.until("both are proven again", func(st *state.State) bool { return st.Counters.Patrols == 2 && st.Errand == nil && idle(st) })
	for _, d := range []*simMedium{a, b} {
		if why := unfounded(card, []*simMedium{d}, 1); why != "" {
			t.Errorf("%s: %s", d.name, why)
		}
	}
}

// A patrol goes on in the next life where it was.
func TestPatrol_goesOn(t *testing.T) {
	t.Parallel()
	m, card, a, b := aged(t)
	m.pull(b)
	var mu sync.Mutex
	var opened []string
	count := func(op, name string) error {
		mu.Lock()
		defer mu.Unlock()
		if op == "open" && strings.HasSuffix(name, ".JPG") {
			opened = append(opened, filepath.Base(name))
		}
		return nil
	}
	atRead, goOn := a.blocked("read", "SKUA0003")
	block := a.hook
	a.on(func(op, name string) error { return errors.Join(count(op, name), block(op, name)) })
	m.lookAround()
	<-atRead
	m.end()
	m.until("it stops", func(st *state.State) bool { return st.Phase == state.Stopping })
	goOn()
	m.stop()
	mu.Lock()
	first := slices.Clone(opened)
	opened = nil
	mu.Unlock()
	a.on(count)
	m.start()
	m.until("it is proven again", func(st *state.State) bool { return st.Counters.Patrols == 1 && st.Errand == nil && idle(st) })
	asItWas(t, a, card)
	mu.Lock()
	defer mu.Unlock()
	if len(first) == 0 || len(first)+len(opened) > len(card.files)+1 || slices.Contains(opened, "SKUA0001.JPG") {
		t.Errorf("first %v, then %v", first, opened)
	}
}

// Whatever fails while a copy is healed, and wherever the box is stopped then,
// nothing is lost and the next life brings it to an end.
func TestHeal_faultAtEveryCall(t *testing.T) {
	t.Parallel()
	changes := []string{"create", "write", "rename", "remove", "sync"}
	for n := 1; ; n += callStep {
		m, card, a, b := aged(t)
		flipFile(t, a.finished()[0]+"/DCIM/100SKUAS/SKUA0002.JPG")
		var calls atomic.Int32
		a.on(func(op, name string) error {
			if slices.Contains(changes, op) && (strings.Contains(name, "/heal-") || strings.Contains(name, "/damaged-") || strings.Contains(name, "SKUA0002") || name == ".") && int(calls.Add(1)) == n {
				return &fs.PathError{Op: op, Path: name, Err: errors.New("invented fault")}
			}
			return nil
		})
		m.lookAround()
		m.until("it was tried", func(st *state.State) bool {
			return st.Errand == nil && idle(st) && (st.Counters.FilesHealed > 0 || raised(st, state.CopyDamaged) && (driveNamed(st, a.name).Reason != "" || raised(st, state.DriveBehind) || raised(st, state.DriveFailing)))
		})
		reached := int(calls.Load()) >= n
		m.stop()
		a.on(nil)
		if why := unfounded(card, []*simMedium{b}, 1); why != "" {
			t.Fatalf("call %d: %s", n, why)
		}
		m.start()
		m.until("it is whole", func(st *state.State) bool {
			return driveNamed(st, a.name).Copies == 1 && driveNamed(st, b.name).Copies == 1 && st.Errand == nil && idle(st)
		})
		if why := unfounded(card, []*simMedium{a}, 1); why != "" {
			t.Fatalf("call %d: %s; it has %v", n, why, slices.Sorted(maps.Keys(a.tree())))
		}
		m.stop()
		if !reached {
			if n < 10 {
				t.Errorf("only %d calls were tried", n)
			}
			return
		}
	}
}

func TestPatrolBudget(t *testing.T) {
	t.Parallel()
	p := policy.Patrol{Hours: 4, SharePercent: 50}
	at := shotAt
	var b patrolBudget
	if !b.may(p, at) {
		t.Fatal("a fresh one is empty")
	}
	worked := time.Duration(0)
	for at.Before(shotAt.AddDate(0, 0, 10)) {
		if !b.may(p, at) {
			at = at.Add(time.Minute)
			continue
		}
		b.spend(p, at, at.Add(slice), false)
		at = at.Add(slice)
		worked += slice
		if b.may(p, at.Add(slice-time.Second)) {
			t.Fatal("it does not rest")
		}
	}
	// Ten days, and the one it began with.
	if most := 11 * 4 * time.Hour; worked > most || worked < most-2*time.Hour {
		t.Errorf("%s of work in ten days", worked)
	}
	if never := (policy.Patrol{SharePercent: 50}); new(patrolBudget).may(never, at) {
		t.Error("it may, with no hours")
	}
	b = patrolBudget{}
	b.may(policy.Patrol{Hours: 24, SharePercent: 100}, at)
	b.spend(policy.Patrol{Hours: 24, SharePercent: 100}, at, at.Add(time.Second), false)
	if b.may(policy.Patrol{Hours: 24, SharePercent: 100}, at.Add(30*time.Second)) {
		t.Error("what got nowhere is tried again at once")
	}
}

// A card that is still in was released for the sake of a copy in which a patrol
// then finds damage. While there is nothing to heal it from, it is held.
func TestPatrol_cardInItsSlot(t *testing.T) {
	t.Parallel()
	var ahead atomic.Int64
	m := newSim(t, 2)
	m.cfg.Now = func() (time.Time, bool) { return time.Now().UTC().Add(time.Duration(ahead.Load())), true }
	m.start()
	card, a, b := m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a, b)
	m.untilReleased(card)
	m.pull(b)
	m.untilReleased(card)
	m.untilIdle()
	flipFile(t, a.finished()[0]+"/DCIM/100SKUAS/SKUA0002.JPG")
	ahead.Store(int64(31 * 24 * time.Hour))
	m.lookAround()
	m.untilCondition(state.CopyDamaged)
	m.until("the release is taken back", func(st *state.State) bool {
		c, ok := cardOf(st, card.name)
		return ok && c.Verdict == state.Hold
	})
	m.untilReleased(card) // the card itself gave what was damaged
	if why := unfounded(card, []*simMedium{a}, 1); why != "" {
		t.Error(why)
	}
}

// A generation that cannot be read back says nothing to whoever has only the drive:
// the copy is not taken to be proven again by it.
func TestPatrol_manifestNotReadBack(t *testing.T) {
	t.Parallel()
	m, _, a, _ := aged(t)
	a.on(func(op, name string) error {
		if op == "open" && strings.Contains(name, mhl.FolderName+"/0002_") {
			return &fs.PathError{Op: op, Path: name, Err: errors.New("invented fault")}
		}
		return nil
	})
	m.lookAround()
	m.untilCondition(state.DriveFailing)
	copies, err := m.s.ledger.Copies(t.Context(), m.untilIdle().Offloads[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range copies {
		if c.DriveID == a.identity(t).ID && strings.Contains(c.ManifestPath, "0002_") {
			t.Errorf("it is taken to be there: %+v", c)
		}
	}
}

// Whatever a proof rests on was read from the medium: no patrol, healing, catching up
// or handing over reads what copies hold in a way that memory may answer.
func TestProofs_pastThePageCache(t *testing.T) {
	t.Parallel()
	m, card, a, b := aged(t, shuttleRule())
	late, editor := m.drive("sdd"), m.shuttle("sdz")
	var mu sync.Mutex
	var cached []string
	for _, d := range []*simMedium{a, b, late, editor} {
		d.on(func(op, name string) error {
			if op == "cached" && !strings.HasPrefix(name, ownFolder) {
				mu.Lock()
				defer mu.Unlock()
				cached = append(cached, d.name+": "+name)
			}
			return nil
		})
	}
	flipFile(t, a.finished()[0]+"/DCIM/100SKUAS/SKUA0002.JPG")
	m.lookAround()
	m.until("it is healed, and the other proven", func(st *state.State) bool {
		return st.Counters.FilesHealed == 1 && st.Counters.Patrols > 0 && st.Errand == nil && idle(st)
	})
	m.plug(late)
	m.untilLevel(late, 1)
	m.plug(editor)
	m.ready(editor)
	m.handed(editor, "files=*0001.JPG")
	m.handed(editor, "all")
	m.plug(card) // what stands on drives is looked at
	m.untilReleased(card)
	m.stop()
	if len(cached) > 0 {
		t.Errorf("memory may have answered: %v", cached)
	}
}

// All of a copy is as the card gave it, and its manifests say otherwise: nobody who has
// only the drive could prove it, and so it does not count.
func TestPatrol_manifestsSayOtherwise(t *testing.T) {
	t.Parallel()
	m, _, a, _ := aged(t)
	file := a.finished()[0] + "/DCIM/100SKUAS/SKUA0002.JPG"
	flipFile(t, file)
	forge(t, a.finished()[0])
	flipFile(t, file) // back again
	m.lookAround()
	m.untilCondition(state.CopyDamaged)
	m.untilTriedToHeal()
	if st := m.untilIdle(); driveNamed(st, a.name).Copies != 0 {
		t.Errorf("it counts: %+v", st.Drives)
	}
}
