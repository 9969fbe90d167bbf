package daemon

import (
	"fmt"
	"os"
	"sync/atomic"
	"testing"

	"bothy/daemon/state"
)

// withFolder adds a drive rule for a medium that is mounted as a folder.
func (m *sim) withFolder(name string, d *simMedium) {
	m.policy += fmt.Sprintf("\n[[drive]]\nname = %q\npath = %q\nreserve = \"1MB\"\n", name, d.dir)
	m.writePolicy(m.policy)
}

func TestSupervisor_folderIsADrive(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	card, a, nas := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.medium("nas", "", "")
	m.withFolder("nas", nas)
	if err := os.Remove(nas.dir); err != nil {
		t.Fatal(err)
	}
	m.start()
	m.plug(card, a)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	if err := os.Mkdir(nas.dir, 0o755); err != nil {
		t.Fatal(err)
	}
	m.alter(func() {}) // the list of devices comes by, and folders are looked for
	m.untilReleased(card)
	if len(nas.finished()) != 1 {
		t.Errorf("copies in the folder: %v", nas.finished())
	}
	m.writePolicy(simPolicyOf(2))
	m.reload <- struct{}{}
	m.until("the folder is a drive no more", func(st *state.State) bool {
		for _, d := range st.Drives {
			if d.Path != "" {
				return false
			}
		}
		return true
	})
}

// Two folders on one disk are one place.
func TestSupervisor_foldersOfOneDisk(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	card, a, b := m.card("sda", "SKUA_1", 3), m.medium("nas", "", ""), m.medium("nas", "", "")
	b.body = a.body
	m.withFolder("one", a)
	m.withFolder("two", b)
	m.start()
	m.plug(card)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "one disk")
}

// A folder that cannot even be looked for stops nothing.
func TestSupervisor_hungFolder(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	card, a, nas := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.medium("nas", "", "")
	m.withFolder("nas", nas)
	m.cfg.Patience = hangPatience
	comeBack := make(chan struct{})
	t.Cleanup(func() { close(comeBack) })
	var looks atomic.Int32
	m.cfg.FolderThere = func(path string) bool {
		looks.Add(1)
		<-comeBack
		return isFolder(path)
	}
	m.start()
	m.plug(card, a)
	m.untilReleased(card)
	m.pull(card) // lists the devices, and looks for folders, again
	m.plug(card)
	m.untilReleased(card)
	if n := looks.Load(); n != 1 {
		t.Errorf("%d looks hang in one folder, want 1", n)
	}
}
