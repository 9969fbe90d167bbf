package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"bothy/daemon/state"
)

func driveNamed(st *state.State, device string) state.Drive {
	for _, d := range st.Drives {
		if d.Device == device {
			return d
		}
	}
	return state.Drive{}
}

func TestSupervisor_clonedDriveIsRefused(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, clone := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
	m.plug(a)
	m.until("the drive is enrolled", func(st *state.State) bool { return driveNamed(st, "sdb").ID != "" && idle(st) })
	if err := os.CopyFS(clone.dir, os.DirFS(a.dir)); err != nil {
		t.Fatal(err)
	}
	m.plug(card, clone)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.untilCondition(state.DriveCloned)
	if d := driveNamed(m.untilIdle(), "sdc"); !d.Refused || !strings.Contains(d.Reason, "same identity") {
		t.Errorf("the clone: %+v", d)
	}
	if len(clone.tree()) != 0 {
		t.Errorf("something was written to the clone: %v", clone.tree())
	}
}

func TestSupervisor_driveWaitsToBeEnrolled(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	m.writePolicy(m.policy + "enrol = \"ask\"\n")
	m.start()
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	m.plug(card, a)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.untilCondition(state.DriveNotEnrolled)
	if entries, err := os.ReadDir(a.dir); err != nil || len(entries) != 0 {
		t.Fatalf("the drive was written to unasked: %v %v", entries, err)
	}
	for target, name := range map[string]string{"sdz": "skerry", "sda": "skerry", "sdb": "a\nb"} {
		if _, err := (actions{m.s}).Enrol(context.Background(), target, name); !errors.Is(err, ErrRefused) {
			t.Errorf("enrol %s as %q: %v, want a refusal", target, name, err)
		}
	}
	id, err := actions{m.s}.Enrol(context.Background(), "/invented/sdb", "puffin")
	if err != nil {
		t.Fatal(err)
	}
	m.untilReleased(card)
	st := m.untilIdle()
	if d := driveNamed(st, "sdb"); d.ID != id || d.Name != "puffin" || d.Refused || raised(st, state.DriveNotEnrolled) {
		t.Errorf("the drive: %+v, conditions: %+v", d, st.Conditions)
	}
}

func TestSupervisor_fullDriveIsRefused(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	m.writePolicy(m.policy + "\n[[drive]]\nname = \"tiny\"\nslot = \"tiny-*\"\nreserve = \"900TB\"\n")
	m.start()
	card, a, tiny := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.medium("sdc", "TINY", "tiny-1")
	m.plug(card, a, tiny)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "the drive is full", "reserve of 900.0 TB")
	m.untilCondition(state.DriveFull)
	if d := driveNamed(m.untilIdle(), "sdc"); !d.Full || d.Failing {
		t.Errorf("the full drive: %+v", d)
	}
	if len(tiny.tree()) != 0 {
		t.Errorf("written to the full drive: %v", tiny.tree())
	}
	m.plug(m.drive("sdd"))
	m.untilReleased(card)
}

func TestSupervisor_driveFullInMidCopy(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a, b := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc")
	b.on(failing("write", "SKUA0003", syscall.ENOSPC))
	m.plug(card, a, b)
	m.untilReleased(card)
	m.untilCondition(state.DriveFull)
	if len(b.finished()) != 0 {
		t.Errorf("the full drive claims a copy: %v", b.finished())
	}
}

// The kernel turns a file system read-only when it finds it damaged.
func TestSupervisor_driveTurnsReadOnly(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a, b := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc")
	b.on(failing("write", "SKUA0003", syscall.EROFS))
	m.plug(card, a, b)
	m.untilReleased(card)
	m.untilCondition(state.DriveReadOnly)
	if d := driveNamed(m.untilIdle(), "sdc"); !d.Failing || len(b.finished()) != 0 {
		t.Errorf("the drive that can only be read: %+v, copies %v", d, b.finished())
	}
}

// failing gives an error for every operation of a kind on a file.
func failing(op, file string, err error) func(string, string) error {
	return func(did, name string) error {
		if did == op && strings.Contains(name, file) {
			return &fs.PathError{Op: op, Path: name, Err: err}
		}
		return nil
	}
}

// What would help is said; and a rule may want a card on a drive without which
// others would be enough.
func TestSupervisor_whenFull(t *testing.T) {
	t.Parallel()
	for rule, held := range map[string]bool{"next": false, "hold": true} {
		t.Run(rule, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2)
			m.writePolicy(m.policy + fmt.Sprintf("\n[[drive]]\nname = \"tiny\"\nslot = \"tiny-*\"\nreserve = \"900TB\"\nwhen_full = %q\n", rule))
			m.start()
			card, a, b, tiny := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc"), m.medium("sdd", "TINY", "tiny-1")
			m.plug(card, a, b, tiny)
			if !held {
				m.untilReleased(card)
				return
			}
			m.untilHeld(card, state.NeedsDrive, "wants the card on TINY", "; free ", " on TINY, or attach another drive")
			if why := unfounded(card, []*simMedium{a, b}, 2); why != "" {
				t.Errorf("it was not copied to the others: %s", why)
			}
			m.pull(tiny)
			m.pull(card)
			m.plug(card)
			m.untilReleased(card)
		})
	}
}

// One bad drive never stops a good one, whatever it is that it cannot do.
func TestSupervisor_badDrive(t *testing.T) {
	t.Parallel()
	for op, file := range map[string]string{
		"mount": "", "lstat": "skerry-test", "list": "", "create": "DCIM", "write": "SKUA0003", "read": "SKUA0003",
		"open": "SKUA0003", "rename": "", "sync": "", "remove": "", "let go": "",
	} {
		t.Run(op, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 1).start()
			card, a, b := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc")
			m.plug(a, b)
			m.until("both are enrolled", func(st *state.State) bool {
				return driveNamed(st, "sdb").ID != "" && driveNamed(st, "sdc").ID != "" && idle(st)
			})
			b.on(failing(op, file, syscall.EIO))
			m.plug(card)
			m.untilReleased(card)
			if len(a.finished()) != 1 {
				t.Errorf("copies on the good drive: %v", a.finished())
			}
			if op == "write" && !driveNamed(m.untilIdle(), "sdc").Failing {
				t.Error("the bad drive is not set aside")
			}
		})
	}
}

// A drive that answers nothing is given up after the box's patience, whichever
// call it hangs in.
func TestSupervisor_hungDrive(t *testing.T) {
	t.Parallel()
	for op, file := range map[string]string{"mount": "", "write": "SKUA0003", "let go": ""} {
		t.Run(op, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 1)
			m.cfg.Patience = hangPatience
			m.start()
			card, a, b := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc")
			reached, goOn := make(chan struct{}), make(chan struct{})
			t.Cleanup(func() { close(goOn) }) // before the end of the daemon is awaited
			b.on(blockOnce(op, file, reached, goOn))
			m.plug(card, a, b)
			<-reached
			m.untilReleased(card)
			if len(a.finished()) != 1 {
				t.Errorf("copies on the good drive: %v", a.finished())
			}
		})
	}
}

// A drive that is full, and then does not come back when it is let go, is mounted
// still: it must not look like one that is only full.
func TestSupervisor_fullDriveThatHangs(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	m.cfg.Patience = hangPatience
	m.start()
	card, a, b := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc")
	reached, goOn := make(chan struct{}), make(chan struct{})
	t.Cleanup(func() { close(goOn) })
	full, hang := failing("write", "SKUA0003", syscall.ENOSPC), blockOnce("let go", "", reached, goOn)
	b.on(func(op, name string) error {
		if err := full(op, name); err != nil {
			return err
		}
		if len(b.unfinished()) == 0 { // let go after a first look
			return nil
		}
		return hang(op, name)
	})
	m.plug(card, a, b)
	<-reached
	m.untilReleased(card)
	m.untilCondition(state.DriveHung)
	if d := driveNamed(m.untilIdle(), "sdc"); !d.Failing {
		t.Errorf("the drive that hangs: %+v", d)
	}
}

func TestSupervisor_partitionOfTheCardsDiskIsNoDrive(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, same := m.card("sda1", "SKUA_1", 3), m.drive("sda2")
	card.disk, same.disk = "sda", "sda"
	m.plug(card, same)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	if len(same.finished())+len(same.unfinished()) > 0 {
		t.Errorf("the card was copied to its own disk: %v", same.finished())
	}
}

// What a drive says of itself is input like any other.
func TestSupervisor_hostileIdentity(t *testing.T) {
	t.Parallel()
	for name, text := range map[string]string{
		"no TOML":         "\x00\xff",
		"an id of others": "id = \"../../etc\"\nname = \"x\"\n",
		"a name of lines": "id = \"abcdefgh\"\nname = \"x\\ny\"\n",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 1).start()
			card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
			if err := os.Mkdir(filepath.Join(a.dir, ownFolder), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(a.dir, identityFile), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			m.plug(card, a)
			m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
			if d := driveNamed(m.untilIdle(), "sdb"); !d.Refused {
				t.Errorf("the drive is used: %+v", d)
			}
		})
	}
}
