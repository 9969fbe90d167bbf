package daemon

import (
	"bytes"
	"crypto/md5"
	"encoding/hex"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"

	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// withRule adds lines to the card rule.
func (m *sim) withRule(lines string) string {
	return strings.Replace(m.policy, "label = \"SKUA*\"\n", "label = \"SKUA*\"\n"+lines+"\n", 1)
}

func TestSupervisor_dirtyCard(t *testing.T) {
	t.Parallel()
	for rule, held := range map[string]bool{"": true, "dirty = \"hold\"": true, "dirty = \"accept\"": false} {
		t.Run(rule, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 1)
			m.writePolicy(m.withRule(rule))
			m.start()
			card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
			card.dirty = true
			m.plug(card, a)
			if held {
				m.untilHeld(card, state.HoldByFault, "not cleanly unmounted")
			} else {
				m.untilReleased(card)
			}
			m.untilCondition(state.MediumDirty)
			if len(a.finished()) != 1 {
				t.Errorf("copies: %v, want one: what shows is saved", a.finished())
			}
			m.pull(card)
			if st := m.untilIdle(); raised(st, state.MediumDirty) {
				t.Error("the condition outlives the card")
			}
		})
	}
}

func TestSupervisor_cardOfNoFiles(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a := m.card("sda", "SKUA_1", 0), m.drive("sdb")
	m.plug(card, a)
	m.untilHeld(card, state.HoldByFault, "shows no files")
	if len(a.tree()) > 0 {
		t.Errorf("written for nothing: %v", a.tree())
	}
}

// Copies that were not read back release no card, however many there are, now
// and when it comes again.
func TestSupervisor_sizeNeverReleases(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	m.writePolicy(m.withRule("verify = \"size\""))
	m.start()
	card, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a, b)
	m.untilHeld(card, state.HoldByFault, "no reading back")
	if len(a.finished()) != 1 || len(b.finished()) != 1 {
		t.Errorf("copies: %v %v", a.finished(), b.finished())
	}
	m.writePolicy(m.policy) // now reading back is asked for
	m.reload <- struct{}{}
	m.untilReleased(card)
	if len(a.finished()) != 2 {
		t.Errorf("the copies that were not read back were counted: %v", a.finished())
	}
}

// history gives a card manifests of its own, with MD5 as crypto/md5 computes it.
func (d *simMedium) history(dir string) {
	d.sim.t.Helper()
	root, err := os.OpenRoot(filepath.Join(d.dir, dir))
	if err != nil {
		d.sim.t.Fatal(err)
	}
	defer root.Close()
	gen := mhl.Generation{Folder: "camera", Process: mhl.InPlace, At: shotAt}
	for name, data := range d.files {
		if dir != "." {
			inside, ok := strings.CutPrefix(name, dir+"/")
			if !ok {
				continue
			}
			name = inside
		}
		sum := md5.Sum(data)
		gen.Files = append(gen.Files, mhl.FileHash{
			Path: name, SizeBytes: int64(len(data)), Algorithm: "md5", Value: hex.EncodeToString(sum[:]), Action: mhl.Original, HashedAt: shotAt,
		})
		for up := path.Dir(name); up != "."; up = path.Dir(up) {
			if !slices.Contains(gen.Dirs, up) {
				gen.Dirs = append(gen.Dirs, up)
			}
		}
	}
	if _, err := mhl.Append(root, gen, nil); err != nil {
		d.sim.t.Fatal(err)
	}
}

func TestSupervisor_cardWithHistory(t *testing.T) {
	t.Parallel()
	for _, dir := range []string{".", "DCIM/100SKUAS"} {
		t.Run(dir, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2).start()
			card, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
			card.history(dir)
			m.plug(card, a, b)
			m.untilReleased(card)
			for _, d := range []*simMedium{a, b} {
				list, err := filepath.Glob(filepath.Join(d.finished()[0], dir, "ascmhl", "*.mhl"))
				if err != nil || len(list) != 2 {
					t.Errorf("generations: %v %v, want the card's and ours", list, err)
				}
			}
			if list, _ := filepath.Glob(filepath.Join(card.dir, dir, "ascmhl", "*.mhl")); len(list) != 1 {
				t.Errorf("the card was written to: %v", list)
			}
			m.pull(card)
			m.plug(card)
			m.untilReleased(card)
			if len(a.finished()) != 1 {
				t.Errorf("copies: %v, want the one", a.finished())
			}
		})
	}
}

func TestSupervisor_fileUnlikeTheCardsManifest(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	card.history(".")
	card.putBytes("DCIM/100SKUAS/SKUA0002.JPG", bytes.Repeat([]byte{1}, 21_013)) // damaged after the camera
	m.plug(card, a)
	m.untilHeld(card, state.HoldByFault, "SKUA0002.JPG", "does not agree with the card's own manifest")
	m.untilCondition(state.CardHistoryBroken)
	// It stays so: that the copy is proven is no reason to believe the card.
	m.pull(card)
	m.plug(card)
	m.untilHeld(card, state.HoldByFault, "SKUA0002.JPG")
	m.plug(m.drive("sdc"))
	m.until("the second drive has its copy", func(st *state.State) bool { return idle(st) && driveNamed(st, "sdc").Copies == 1 })
	m.untilHeld(card, state.HoldByFault, "SKUA0002.JPG")
	if len(a.finished()) != 1 {
		t.Errorf("copies: %v, want one", a.finished())
	}
}

func TestSupervisor_cardWithDamagedHistory(t *testing.T) {
	t.Parallel()
	for name, damage := range map[string]func(dir string) error{
		"chain": func(dir string) error {
			return os.WriteFile(filepath.Join(dir, "ascmhl_chain.xml"), []byte("<"), 0o644)
		},
		"manifest": func(dir string) error { return cutAll(dir, "*.mhl") },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 1).start()
			card, next, a := m.card("sda", "SKUA_1", 3), m.card("sdc", "SKUA_2", 3), m.drive("sdb")
			card.history(".")
			if err := damage(filepath.Join(card.dir, "ascmhl")); err != nil {
				t.Fatal(err)
			}
			m.plug(card, a)
			m.untilHeld(card, state.HoldByFault, "own manifests are damaged")
			m.untilCondition(state.CardHistoryBroken)
			if why := unfounded(card, m.media, 1); why != "" {
				t.Errorf("its files are not saved: %s", why)
			}
			m.plug(next) // the drive is not to blame
			m.untilReleased(next)
		})
	}
}

func cutAll(dir, pattern string) error {
	list, err := filepath.Glob(filepath.Join(dir, pattern))
	if err != nil || len(list) == 0 {
		return fmt.Errorf("nothing like %s in %s: %v", pattern, dir, err)
	}
	for _, name := range list {
		if err := os.Truncate(name, 100); err != nil {
			return err
		}
	}
	return nil
}

// withBadFile plugs in a drive, and a card of which one file fails in a kind of call.
func withBadFile(t *testing.T, op string) (m *sim, card, drive *simMedium) {
	m = newSim(t, 1).start()
	card, drive = m.card("sda", "SKUA_1", 3), m.drive("sdb")
	card.on(failing(op, "SKUA0002", syscall.EIO))
	m.plug(card, drive)
	return m, card, drive
}

func TestSupervisor_unreadableFile(t *testing.T) {
	t.Parallel()
	m, card, a := withBadFile(t, "read")
	m.untilHeld(card, state.HoldByFault, "SKUA0002.JPG", "could not be read whole")
	m.untilCondition(state.CardUnreadable)
	for _, f := range a.finished() {
		if !strings.HasSuffix(f, ".incomplete") {
			t.Errorf("%s does not look incomplete", f)
		}
	}
	// The reader gets better: only what lacked is copied, and the card released.
	m.pull(card)
	card.on(nil)
	m.plug(card)
	m.untilReleased(card)
}

// Nothing can be salvaged of a file that cannot be opened; it is named all the
// same, once, and holds the card.
func TestSupervisor_fileThatCannotBeOpened(t *testing.T) {
	t.Parallel()
	m, card, _ := withBadFile(t, "open")
	c := m.untilHeld(card, state.HoldByFault, `"DCIM/100SKUAS/SKUA0002.JPG" cannot be read`)
	if strings.Count(c.Reason, "cannot be read") != 1 {
		t.Errorf("it is told more than once: %s", c.Reason)
	}
	m.untilCondition(state.CardUnreadable)
}

// What a card gave in part is said on every window, also by a later life of the
// daemon. It never counts as the file, and that is tried again when the card
// comes back.
func TestSupervisor_salvages(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	reads := 0
	var mu sync.Mutex
	fail := failing("read", "SKUA0002", syscall.EIO)
	card.on(func(op, name string) error {
		mu.Lock()
		defer mu.Unlock()
		if err := fail(op, name); err != nil && reads < 2 {
			reads++
			return err
		}
		return nil
	})
	m.plug(card, a)
	m.untilHeld(card, state.HoldByFault, "SKUA0002.JPG", "only in several attempts")
	check := func(st *state.State) {
		t.Helper()
		s := st.Offloads[len(st.Offloads)-1].Salvaged
		if len(s) != 1 || s[0].Path != "DCIM/100SKUAS/SKUA0002.JPG" || s[0].As != s[0].Path+offload.SalvageSuffix || s[0].MissingBytes != 0 {
			t.Errorf("it says %+v", s)
		}
		for _, o := range st.Offloads {
			if o.Verdict == state.Release && len(o.Salvaged) > 0 {
				t.Errorf("released: %+v", o)
			}
		}
	}
	check(m.untilIdle())
	if list := a.finished(); len(list) != 1 || !strings.HasSuffix(list[0], offload.IncompleteSuffix) {
		t.Errorf("the drive holds %v", list)
	} else if _, err := os.Stat(filepath.Join(list[0], "DCIM/100SKUAS/SKUA0002.JPG"+offload.SalvageSuffix)); err != nil {
		t.Error(err)
	}
	m.stop()
	m.start()
	m.untilReleased(card) // it is in still, and gives all now
	check(m.untilIdle())
}

func TestSupervisor_hostileCard(t *testing.T) {
	t.Parallel()
	for name, make := range map[string]func(d *simMedium) error{
		"a link out": func(d *simMedium) error { return os.Symlink("/etc/passwd", filepath.Join(d.dir, "SKUA.LNK")) },
		"a pipe":     func(d *simMedium) error { return syscall.Mkfifo(filepath.Join(d.dir, "PIPE"), 0o600) },
		"no UTF-8":   func(d *simMedium) error { return os.WriteFile(filepath.Join(d.dir, "SKUA\xff.JPG"), nil, 0o600) },
		"a control":  func(d *simMedium) error { return os.WriteFile(filepath.Join(d.dir, "SK\x01UA"), nil, 0o600) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 1).start()
			card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
			if err := make(card); err != nil {
				t.Fatal(err)
			}
			m.plug(card, a)
			m.untilHeld(card, state.HoldByFault, "is not in the copies")
			m.untilCondition(state.CardEntriesLeft)
			if why := unfounded(card, m.media, 1); why != "" {
				t.Errorf("the rest is not saved: %s", why)
			}
		})
	}
}

// What a device says of itself leads nowhere and breaks nothing.
func TestSupervisor_hostileDevice(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"SKUA../../../etc", "SKUA<script>alert(1)</script>", "SKUA\x00\xff\n", "SKUA " + strings.Repeat("x", 250), "SKUA/a/b", "SKUA:*?"} {
		t.Run(fmt.Sprintf("%.20q", text), func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2).start()
			card, a, b := m.card("sda", text, 3), m.drive("sdb"), m.drive("sdc")
			card.uuid, a.label, a.key = text, "SKERRY"+text, text
			m.plug(card, a, b)
			m.untilReleased(card)
			if st := m.untilIdle(); raised(st, state.LedgerFailing) {
				t.Errorf("it broke the ledger: %+v", st.Conditions)
			}
			for _, d := range []*simMedium{a, b} {
				rel, err := filepath.Rel(d.dir, d.finished()[0])
				if err != nil || strings.Count(rel, "/") != 1 {
					t.Errorf("the copy stands in %q", rel)
				}
			}
			all, err := os.ReadDir(m.base)
			for _, e := range all {
				if n := e.Name(); n != "policy.toml" && n != "state" && n != "run" && !strings.HasPrefix(n, "medium-") {
					t.Errorf("outside the media: %s", n)
				}
			}
			if err != nil {
				t.Error(err)
			}
		})
	}
}
