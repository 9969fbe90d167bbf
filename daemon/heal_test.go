package daemon

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"bothy/daemon/mhl"
	"bothy/daemon/state"
)

// Where somebody has put a folder of his own in place of a file, it is not ours to
// take away.
func TestHeal_othersFolder(t *testing.T) {
	t.Parallel()
	m, _, a, _ := aged(t)
	file := a.finished()[0] + "/DCIM/100SKUAS/SKUA0002.JPG"
	theirs := filepath.Join(file, "notes.txt")
	if err := errors.Join(os.Remove(file), os.Mkdir(file, 0o755), os.WriteFile(theirs, []byte("of somebody"), 0o644)); err != nil {
		t.Fatal(err)
	}
	m.lookAround()
	m.untilCondition(state.CopyDamaged)
	m.until("it is healed, or said that it cannot be", func(st *state.State) bool {
		return (st.Counters.FilesHealed > 0 || raised(st, state.DriveBehind) || driveNamed(st, a.name).Copies == 0) && st.Counters.Patrols > 0 && st.Errand == nil && idle(st)
	})
	m.stop()
	if data, err := os.ReadFile(theirs); err != nil || string(data) != "of somebody" {
		t.Errorf("what somebody has put there is gone: %v", err)
	}
}

// A copy without its manifest cannot be proven by anybody else: it does not count
// for being whole.
func TestHeal_withoutManifest(t *testing.T) {
	t.Parallel()
	m, _, a, _ := shot(t)
	m.pull(a)
	if err := os.RemoveAll(filepath.Join(a.finished()[0], mhl.FolderName)); err != nil {
		t.Fatal(err)
	}
	m.plug(a)
	m.untilCondition(state.CopyDamaged)
	st := m.until("it is looked after", func(st *state.State) bool {
		failed := false
		if err := m.s.asked(t.Context(), func(answer func(error)) { failed = len(m.s.errands.tried) > 0; answer(nil) }); err != nil {
			t.Error(err)
			return true
		}
		return (failed || !raised(st, state.CopyDamaged)) && st.Errand == nil && idle(st)
	})
	if n := driveNamed(st, a.name).Copies; n != 0 && manifestsOf(a, "0001_") == 0 {
		t.Errorf("%d copies count, without a manifest", n)
	}
}
