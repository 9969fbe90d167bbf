package daemon

import (
	"bytes"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"bothy/daemon/state"
)

// Failure catalogue, row 9: room runs out when the ledger's copy is written to a
// drive, before its first byte, within it, or when it is flushed. The copies of
// the card stand, it is released, the earlier copy of the ledger stays whole,
// nothing half written is left, and somebody says so.
func TestSupervisor_fullAtTheLedgersCopy(t *testing.T) {
	t.Parallel()
	for _, op := range []string{"create", "write", "sync"} {
		t.Run(op, func(t *testing.T) {
			t.Parallel()
			m, first, a, b := copied(t, 3)
			m.untilIdle()
			m.pull(first)
			before, others := ledgerCopy(t, b), ledgerCopy(t, a)
			b.on(failing(op, "ledger-", syscall.ENOSPC))
			second := m.card("sdd", "SKUA_2", 4)
			m.plug(second)
			m.untilReleased(second)
			if c := m.untilCondition(state.DriveFull); c.Subject != driveNamed(m.untilIdle(), "sdc").Name {
				t.Errorf("full is %q", c.Subject)
			}
			if !bytes.Equal(ledgerCopy(t, b), before) {
				t.Error("the earlier copy of the ledger has changed")
			}
			if bytes.Equal(ledgerCopy(t, a), others) {
				t.Error("the other drive's copy of the ledger is the old one")
			}
			if left, err := filepath.Glob(filepath.Join(b.dir, ownFolder, "*.tmp")); err != nil || len(left) > 0 {
				t.Errorf("half written: %v %v", left, err)
			}
			if len(a.finished()) != 2 || len(b.finished()) != 2 {
				t.Errorf("copies: %v and %v", a.finished(), b.finished())
			}
		})
	}
}

// ledgerCopy reads the one copy of the box's ledger on a drive.
func ledgerCopy(t *testing.T, d *simMedium) []byte {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(d.dir, ownFolder, "ledger-*.db.zst"))
	if err != nil || len(list) != 1 {
		t.Fatalf("copies of the ledger: %v %v", list, err)
	}
	data, err := os.ReadFile(list[0])
	if err != nil {
		t.Fatal(err)
	}
	return data
}
