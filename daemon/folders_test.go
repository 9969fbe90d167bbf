package daemon

import (
	"errors"
	"fmt"
	"os"
	"strings"
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

// A folder on a disk of the running system is a mount point without its disk, as likely as
// not: it is no drive until somebody says so.
func TestSupervisor_folderOnTheSystemsDisk(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	card, a, nas := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.medium("nas", "", "")
	m.cfg.SystemDisks = func() (map[string]bool, error) { return map[string]bool{nas.disk: true}, nil }
	m.withFolder("nas", nas)
	m.start()
	m.plug(card, a)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	if c := m.untilCondition(state.DriveNotEnrolled); !strings.Contains(c.Detail, "a disk of the running system") || !strings.Contains(c.Detail, "bothy enrol "+nas.dir+" --name") {
		t.Errorf("it is said so: %+v", c)
	}
	if entries, err := os.ReadDir(nas.dir); err != nil || len(entries) > 0 {
		t.Errorf("in the folder stands %v (%v)", entries, err)
	}
	if _, err := (actions{m.s}).Enrol(t.Context(), nas.dir, "nas"); err != nil {
		t.Fatal(err)
	}
	m.untilReleased(card)
	if len(nas.finished()) != 1 {
		t.Errorf("copies in the folder that is meant: %v", nas.finished())
	}
}

// Where nobody knows which disks are the system's, no folder is taken for another's.
func TestSupervisor_folderWhileTheSystemsDisksAreUnknown(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	nas := m.medium("nas", "", "")
	m.cfg.SystemDisks = func() (map[string]bool, error) { return nil, errors.New("no list of mounts") }
	m.withFolder("nas", nas)
	m.start()
	m.plug()
	if c := m.untilCondition(state.DriveNotEnrolled); !strings.Contains(c.Detail, "no list of mounts") {
		t.Errorf("it is said so: %+v", c)
	}
}
