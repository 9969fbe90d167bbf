package daemon

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"bothy/daemon/checksum"
	"bothy/daemon/ledger"
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

// A card found a file missing in a copy, and was pulled before anything was made of
// that: what had been proven of the copy before is not proven any more, and it
// counts only when all of it has been read again.
func TestHeal_whatACardFoundMissing(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t)
	if a.identity(t).ID > b.identity(t).ID {
		a, b = b, a // copies are looked at in the order of their drives' ids
	}
	if err := os.Remove(a.finished()[0] + "/DCIM/100SKUAS/SKUA0002.JPG"); err != nil {
		t.Fatal(err)
	}
	looked, goOn := b.blocked("open", mhl.FolderName)
	m.plug(card)
	<-looked // the other was looked at before
	m.pull(card)
	m.until("it is out", func(st *state.State) bool { _, in := cardOf(st, card.name); return !in })
	goOn()
	m.until("it counts", func(st *state.State) bool {
		return driveNamed(st, a.name).Copies == 1 && st.Errand == nil && idle(st)
	})
	asItWas(t, a, card)
}

// A ledger that another box left, or somebody who calls himself one, names a folder
// of somebody's as a copy: what lies there is not put right.
func TestHeal_foldersThatAreNoCopies(t *testing.T) {
	t.Parallel()
	m, _, a, b := shot(t)
	sound, theirs := filepath.Join(a.dir, "sound"), filepath.Join(b.dir, "papers", "notes.txt")
	if err := errors.Join(os.Mkdir(sound, 0o755), os.WriteFile(sound+"/notes.txt", []byte("of the drive"), 0o644),
		os.Mkdir(filepath.Dir(theirs), 0o755), os.WriteFile(theirs, []byte("of somebody"), 0o644)); err != nil {
		t.Fatal(err)
	}
	forge(t, sound)
	forge(t, filepath.Dir(theirs)) // they have a history of their own
	sum, err := checksum.New(checksum.XXH128)
	if err != nil {
		t.Fatal(err)
	}
	sum.Write([]byte("of the drive"))
	m.forgeLedger(a, ledger.Found{
		Offload: ledger.Offload{CardLabel: "SKUA_7", Folder: "sound", Verify: "read-back", Checksum: checksum.XXH128, Files: 1, Bytes: 12},
		Files:   []ledger.File{{Path: "notes.txt", SizeBytes: 12, ModTime: shotAt, Algorithm: checksum.XXH128, Checksum: sum.Sum()}},
		Copies:  []ledger.Copy{{DriveID: a.identity(t).ID, Folder: "sound"}, {DriveID: b.identity(t).ID, Folder: "papers"}},
	})
	if found := m.recover(a); found.Copies != 2 {
		t.Fatalf("%+v", found)
	}
	m.untilCondition(state.CopyDamaged)
	m.untilTriedToHeal()
	if data, err := os.ReadFile(theirs); err != nil || string(data) != "of somebody" {
		t.Errorf("what was somebody's is %.20q now: %v", data, err)
	}
}

// Where a link leads from a copy's folder to somebody's, what lies there is not ours
// to take away.
func TestHeal_linkedFolder(t *testing.T) {
	t.Parallel()
	m, _, a, _ := aged(t)
	in, theirs := a.finished()[0]+"/DCIM/100SKUAS", filepath.Join(a.dir, "theirs")
	up, err := filepath.Rel(filepath.Dir(in), theirs)
	if err := errors.Join(err, os.Rename(in, theirs), os.Symlink(up, in),
		os.WriteFile(theirs+"/SKUA0002.JPG", []byte("of somebody"), 0o644)); err != nil {
		t.Fatal(err)
	}
	m.lookAround()
	m.untilCondition(state.CopyDamaged)
	m.untilTriedToHeal()
	if data, err := os.ReadFile(theirs + "/SKUA0002.JPG"); err != nil || string(data) != "of somebody" {
		t.Errorf("what was somebody's is %.20q now: %v", data, err)
	}
}

// untilTriedToHeal waits until a copy was healed, or could not be.
func (m *sim) untilTriedToHeal() {
	m.t.Helper()
	m.until("it was tried", func(st *state.State) bool {
		failed := false
		if err := m.s.asked(m.t.Context(), func(answer func(error)) { failed = len(m.s.errands.tried) > 0; answer(nil) }); err != nil {
			m.t.Error(err)
			return true
		}
		return (failed || st.Counters.FilesHealed > 0) && st.Errand == nil && idle(st)
	})
}

// A flush that failed is not tried again until it goes well: what it was to make
// durable may be in memory only, and is told from what is on the medium no more.
func TestHeal_flushThatFailed(t *testing.T) {
	t.Parallel()
	for name, flushed := range map[string]string{"the folder": "DCIM/100SKUAS", "all of it": ".", "the manifest": "."} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m, card, a, _ := aged(t)
			flipFile(t, a.finished()[0]+"/DCIM/100SKUAS/SKUA0002.JPG")
			var placed, failed atomic.Bool
			skip := atomic.Int32{}
			if name == "the manifest" {
				skip.Store(1)
			}
			a.on(func(op, name string) error {
				if op == "rename" && strings.Contains(name, "/heal-") && strings.HasSuffix(name, "SKUA0002.JPG") {
					placed.Store(true)
				}
				if op == "sync" && placed.Load() && strings.HasSuffix(name, flushed) && skip.Add(-1) < 0 && failed.CompareAndSwap(false, true) {
					return &fs.PathError{Op: op, Path: name, Err: errors.New("invented fault")}
				}
				return nil
			})
			m.lookAround()
			m.untilCondition(state.DriveFailing)
			m.lookAround() // things are otherwise, as when any drive comes
			m.until("it was read again", func(st *state.State) bool { return st.Counters.PolicyReloads == 2 && st.Errand == nil && idle(st) })
			if st := m.untilIdle(); st.Counters.FilesHealed != 0 || driveNamed(st, a.name).Copies != 0 {
				t.Errorf("it counts: %d healed", st.Counters.FilesHealed)
			}
			m.pull(a)
			m.plug(a)
			m.untilLevel(a, 1)
			asItWas(t, a, card)
		})
	}
}
