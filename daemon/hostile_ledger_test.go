package daemon

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"bothy/daemon/state"
)

var ledgerDamages = flag.Int("ledger-damages", 24, "how many places of a ledger the whole box is tried with damage at")

// boxFiles are a ledger as it lies on the disk: the database, and its log if any.
type boxFiles map[string][]byte

func (m *sim) ledgerFiles() boxFiles {
	m.t.Helper()
	files := boxFiles{}
	for _, name := range []string{"ledger.db", "ledger.db-wal"} {
		if data, err := os.ReadFile(filepath.Join(m.cfg.StateDir, name)); err == nil {
			files[name] = data
		}
	}
	if len(files["ledger.db"]) == 0 {
		m.t.Fatal("there is no ledger")
	}
	return files
}

func (m *sim) putLedger(files boxFiles) {
	m.t.Helper()
	if err := os.RemoveAll(m.cfg.StateDir); err != nil {
		m.t.Fatal(err)
	}
	if err := os.MkdirAll(m.cfg.StateDir, 0o755); err != nil {
		m.t.Fatal(err)
	}
	for name, data := range files {
		if err := os.WriteFile(filepath.Join(m.cfg.StateDir, name), data, 0o600); err != nil {
			m.t.Fatal(err)
		}
	}
}

// Failure catalogue, row 22, on the whole box. Two cards: one was released, of
// the other there is one copy too few. The ledger is flipped or cut somewhere,
// and the drives are away, so that it alone speaks. The box comes up; either it
// says that the ledger was replaced and releases neither card, or that it fails,
// or nothing of what the ledger says has changed. The second card is never released.
func TestSupervisor_ledgerDamagedAnywhere(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	whole, lacking := m.card("sda", "SKUA_1", 3), m.card("sdd", "SKUA_2", 3)
	a, b := m.drive("sdb"), m.drive("sdc")
	m.plug(whole, a, b)
	m.untilReleased(whole)
	m.pull(b)
	m.plug(lacking)
	m.untilHeld(lacking, state.NeedsDrive, "needs 1 more drive")
	running := m.ledgerFiles()
	m.stop()
	resting := m.ledgerFiles()
	m.pullSilently(whole, lacking, a, b)
	if len(running["ledger.db-wal"]) == 0 || len(resting["ledger.db-wal"]) != 0 {
		t.Fatalf("the log has %d bytes at work and %d at rest", len(running["ledger.db-wal"]), len(resting["ledger.db-wal"]))
	}
	replaced, failing, unchanged := 0, 0, 0
	for i, d := range damages(resting["ledger.db"], running["ledger.db-wal"], *ledgerDamages) {
		files := boxFiles{"ledger.db": resting["ledger.db"]}
		if d.inLog {
			files = boxFiles{"ledger.db": running["ledger.db"], "ledger.db-wal": running["ledger.db-wal"]}
		}
		d.to(files)
		m.putLedger(files)
		m.start()
		m.plug(whole, lacking)
		st := m.until(d.what+": both are decided", func(st *state.State) bool { return len(st.Cards) == 2 && idle(st) })
		first, _ := cardOf(st, whole.name)
		second, _ := cardOf(st, lacking.name)
		if second.Verdict == state.Release {
			t.Errorf("%d, %s: an invented release: %s", i, d.what, second.Reason)
		}
		switch {
		case raised(st, state.LedgerReplaced):
			replaced++
			if first.Verdict == state.Release {
				t.Errorf("%d, %s: released from nothing: %s", i, d.what, first.Reason)
			}
		case raised(st, state.LedgerFailing):
			failing++ // found when that row was read
		case first.Verdict == state.Release:
			unchanged++
		case !d.inLog: // the newest commits may be lost with the log
			t.Errorf("%d, %s: it says nothing, and forgot a release: %s\n%s", i, d.what, first.Reason, picture(st))
		}
		m.stop() // the oracle's findings come here
		m.pullSilently(whole, lacking)
	}
	t.Logf("%d replaced, %d said to be failing, %d read as they were", replaced, failing, unchanged)
	if replaced == 0 {
		t.Error("no damage was found: this proves little")
	}
}

// damage is one way to spoil a ledger's files.
type damage struct {
	what  string
	inLog bool
	to    func(boxFiles)
}

// damages are n of them: flips where a word decides, then flips and cuts spread
// over both files.
func damages(db, log []byte, n int) (list []damage) {
	flip := func(name string, at int, inLog bool) damage {
		return damage{fmt.Sprintf("byte %d of %s", at, name), inLog, func(f boxFiles) {
			f[name] = slices.Clone(f[name])
			f[name][at] ^= 1 << (at % 8)
		}}
	}
	cut := func(name string, to int, inLog bool) damage {
		return damage{fmt.Sprintf("%s cut to %d bytes", name, to), inLog, func(f boxFiles) { f[name] = f[name][:to] }}
	}
	for _, word := range []string{"proven", "release", "hold", "SKUA_2", "invented-1"} {
		if at := bytes.LastIndex(db, []byte(word)); at >= 0 {
			list = append(list, flip("ledger.db", at, false))
		}
	}
	for i := 0; len(list) < n; i++ {
		share := (2*i + 1) % 199 // walks through the files, in no step of a page
		at, inLog := (len(db)*share/200+i)%len(db), (len(log)*share/200+i)%len(log)
		switch i % 4 {
		case 0:
			list = append(list, flip("ledger.db", at, false))
		case 1:
			list = append(list, cut("ledger.db", at, false))
		case 2:
			list = append(list, flip("ledger.db-wal", inLog, true))
		case 3:
			list = append(list, cut("ledger.db-wal", inLog, true))
		}
	}
	return list[:n]
}
