package daemon

import (
	"path/filepath"
	"testing"

	"bothy/daemon/ledger"
)

// stillSupervisor is one whose loop does not run, for tests of single pieces.
func stillSupervisor(cfg Config) *supervisor {
	cfg.setDefaults()
	return newSupervisor(cfg)
}

// openLedger makes an empty ledger, which is closed after the test.
func openLedger(t *testing.T) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(t.Context(), filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}
