package daemon

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"bothy/daemon/state"
)

// Failure catalogue, row 28. A folder that cannot be listed, as where a damaged
// file system leads in a circle, keeps nothing else from being copied; it is
// named, and the card is held.
func TestSupervisor_folderThatCannotBeListed(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	if err := os.MkdirAll(filepath.Join(card.dir, "DCIM/101SKUAS"), 0o755); err != nil {
		t.Fatal(err)
	}
	card.on(failing("list", "101SKUAS", syscall.ELOOP))
	m.plug(card, a)
	m.untilHeld(card, state.HoldByFault, "DCIM/101SKUAS", "cannot be listed")
	if why := unfounded(card, m.media, 1); why != "" {
		t.Errorf("the rest is not saved: %s", why)
	}
	// The reader gets better.
	m.pull(card)
	card.on(nil)
	m.plug(card)
	m.untilReleased(card)
}

// So many of them that the time for it has no bound: the card is not listed.
func TestSupervisor_noFolderCanBeListed(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	for i := range 150 {
		if err := os.MkdirAll(filepath.Join(card.dir, fmt.Sprintf("BAD%03d", i)), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	tries := 0
	card.on(func(op, name string) error {
		if op == "list" && name != "." {
			tries++
			return errors.New("the medium is bad")
		}
		return nil
	})
	m.plug(card, a)
	m.untilHeld(card, state.HoldByFault, "the card cannot be listed", "the medium is bad")
	if tries > 120 {
		t.Errorf("%d folders were tried", tries)
	}
}
