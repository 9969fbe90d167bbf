package daemon

import (
	"bytes"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/state"
)

// copied brings a card to two drives and takes it out again.
func copied(t *testing.T, files int) (m *sim, card, a, b *simMedium) {
	t.Helper()
	m = newSim(t, 2).start()
	card, a, b = m.card("sda", "SKUA_1", files), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a, b)
	m.untilReleased(card)
	return m, card, a, b
}

func TestSupervisor_sameCardAgain(t *testing.T) {
	t.Parallel()
	m, card, a, b := copied(t, 5)
	onA, onB := a.tree(), b.tree()
	m.pull(card)
	m.plug(card)
	if c := m.untilReleased(card); c.OffloadID != "" {
		t.Errorf("a new offload was begun: %s", c.OffloadID)
	}
	if diff := cmp.Diff([]map[string]string{onA, onB}, []map[string]string{a.tree(), b.tree()}); diff != "" {
		t.Errorf("the drives changed (-before +after):\n%s", diff)
	}
}

// With the drives away the ledger alone speaks for the copies: as many as
// there are disks that can be told apart.
func TestSupervisor_sameCardAgain_drivesAway(t *testing.T) {
	t.Parallel()
	m, card, a, b := copied(t, 3)
	m.pull(card, a, b)
	m.plug(card)
	m.untilReleased(card)
}

func TestSupervisor_cardWithNewFiles(t *testing.T) {
	t.Parallel()
	m, card, a, b := copied(t, 4)
	first := m.untilIdle().Offloads[0].ID
	before := a.tree()
	m.pull(card)
	card.put("DCIM/100SKUAS/SKUA0101.JPG", 5000)
	card.put("DCIM/101SKUAS/SKUA0102.JPG", 6000)
	m.plug(card)
	c := m.untilReleased(card)
	for _, d := range []*simMedium{a, b} {
		folders := d.finished()
		if len(folders) != 2 {
			t.Fatalf("copies on a drive: %v, want two", folders)
		}
	}
	added, told := 0, 0
	for name, data := range a.tree() {
		if old, ok := before[name]; ok {
			if old != data {
				t.Errorf("%s was changed", name)
			}
			continue
		}
		switch {
		case strings.HasSuffix(name, ".JPG"):
			added++
		case strings.HasSuffix(name, ".mhl") && strings.Contains(data, first+"."):
			told++
		}
	}
	if added != 2 || told != 1 {
		t.Errorf("%d pictures were added, want the 2 new ones; %d manifests say where the rest is, want 1", added, told)
	}
	o := m.untilIdle().Offloads[0]
	if o.ID != c.OffloadID || !slices.Equal(o.RefersTo, []string{first}) || o.Files != 2 {
		t.Errorf("offload %s of %d files refers to %v, want 2 files and a reference to %s", o.ID, o.Files, o.RefersTo, first)
	}
}

// A camera whose counter and clock were set back gives other pictures with the
// same names, sizes and times.
func TestSupervisor_otherBytesUnderTheSameNames(t *testing.T) {
	t.Parallel()
	m, card, a, b := copied(t, 3)
	before := []map[string]string{a.tree(), b.tree()}
	m.pull(card)
	for name, data := range maps.Clone(card.files) {
		card.putBytes(name, bytes.Map(func(r rune) rune { return 'x' }, bytes.Repeat([]byte{'-'}, len(data))))
	}
	m.plug(card)
	m.untilReleased(card) // the oracle looks for the new bytes
	for i, d := range []*simMedium{a, b} {
		after := d.tree()
		for name, data := range before[i] {
			if after[name] != data {
				t.Errorf("%s was changed or is gone", name)
			}
		}
	}
}

func TestSupervisor_damagedCopyIsNotCounted(t *testing.T) {
	t.Parallel()
	for name, damage := range map[string]func(t *testing.T, folder string){
		"its manifest is changed": func(t *testing.T, folder string) {
			list, err := filepath.Glob(filepath.Join(folder, "ascmhl", "*.mhl"))
			if err != nil || len(list) != 1 {
				t.Fatalf("manifests: %v %v", list, err)
			}
			data, err := os.ReadFile(list[0])
			if err != nil {
				t.Fatal(err)
			}
			os.WriteFile(list[0], bytes.Replace(data, []byte("Bothy"), []byte("Bothz"), 1), 0o644)
		},
		"a file is missing": func(t *testing.T, folder string) {
			if err := os.Remove(filepath.Join(folder, "DCIM/100SKUAS/SKUA0002.JPG")); err != nil {
				t.Fatal(err)
			}
		},
		"a file is cut": func(t *testing.T, folder string) {
			if err := os.Truncate(filepath.Join(folder, "DCIM/100SKUAS/SKUA0002.JPG"), 100); err != nil {
				t.Fatal(err)
			}
		},
		"the folder is gone": func(t *testing.T, folder string) {
			if err := os.RemoveAll(folder); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m, card, a, b := copied(t, 3)
			m.pull(card)
			damage(t, a.finished()[0])
			m.pull(b) // its copy is sound, and one
			m.plug(card)
			m.untilReleased(card)
			m.untilCondition(state.CopyDamaged)
		})
	}
}

// A drive that said it had flushed comes back without its copy, while the card is
// still in: the release is taken back at once, not only when the copy is there
// again, or somebody takes the card out in between.
func TestSupervisor_forgottenCopyTakesTheReleaseBack(t *testing.T) {
	t.Parallel()
	for _, pulled := range []bool{false, true} {
		t.Run(fmt.Sprintf("pulled=%v", pulled), func(t *testing.T) {
			t.Parallel()
			m, card, _, b := copied(t, 3)
			m.pull(b)
			if err := os.RemoveAll(b.finished()[0]); err != nil {
				t.Fatal(err)
			}
			reached, goOn := make(chan struct{}), make(chan struct{})
			b.on(blockOnce("write", "SKUA0002", reached, goOn))
			m.plug(b)
			<-reached
			m.until("the release is taken back", func(st *state.State) bool {
				c, ok := cardOf(st, card.name)
				return ok && c.Verdict == state.Hold && c.Phase != state.CardDecided && raised(st, state.CopyDamaged)
			})
			if pulled {
				m.pull(card)
			}
			close(goOn)
			if pulled {
				m.untilCondition(state.CardGone)
				m.plug(card)
			}
			m.untilReleased(card)
			if len(b.finished()) != 1 {
				t.Errorf("copies on the drive that forgot: %v", b.finished())
			}
		})
	}
}

// A drive that is there and cannot be looked at does not vouch for anything.
func TestSupervisor_driveThatCannotBeOpenedIsNotCounted(t *testing.T) {
	t.Parallel()
	m, card, _, b := copied(t, 3)
	m.pull(card)
	b.on(func(op, _ string) error {
		if op == "mount" {
			return os.ErrPermission
		}
		return nil
	})
	if err := os.RemoveAll(b.finished()[0]); err != nil {
		t.Fatal(err)
	}
	m.plug(card)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	// And it stays so when it is set aside and the card comes once more.
	m.pull(card)
	m.plug(card)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
}

func TestSupervisor_thirdDriveAfterRelease(t *testing.T) {
	t.Parallel()
	m, card, _, _ := copied(t, 4)
	c := m.drive("sdd")
	m.plug(c)
	st := m.until("the third drive has its copy", func(st *state.State) bool { return len(c.finished()) == 1 && idle(st) })
	if raised(st, state.LedgerFailing) {
		t.Errorf("the copy could not be recorded:\n%s", picture(st))
	}
	m.pull(card)
	m.plug(card)
	m.untilReleased(card)
	if len(c.finished()) != 1 {
		t.Errorf("copies on the third drive: %v, want one", c.finished())
	}
}
