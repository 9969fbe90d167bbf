package daemon

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"bothy/daemon/state"
)

// replace puts something else in the place of what an interrupted run left.
func replace(name string, put func(full string) error) func(unfinished string) error {
	return func(unfinished string) error {
		full := filepath.Join(unfinished, name)
		if err := os.RemoveAll(full); err != nil {
			return err
		}
		return put(full)
	}
}

func linkTo(target string) func(string) error {
	return func(full string) error { return os.Symlink(target, full) }
}

func pipe(full string) error { return syscall.Mkfifo(full, 0o644) }

func aFile(full string) error { return os.WriteFile(full, []byte("not ours"), 0o644) }

const proved = "DCIM/100SKUAS/SKUA0007.JPG"

// Between two runs somebody has been at the unfinished folder. Whatever stands
// there now: nothing outside it changes, on the drive or elsewhere; nothing
// outside the drive is read; and the card is released by copies that are whole.
func TestSupervisor_hostileUnfinished(t *testing.T) {
	t.Parallel()
	for name, set := range map[string]func(outside, mine string) func(unfinished string) error{
		"it is a link out":      func(outside, _ string) func(string) error { return replace("", linkTo(outside)) },
		"it is a link around":   func(_, mine string) func(string) error { return replace("", linkTo(mine)) },
		"it is a file":          func(_, _ string) func(string) error { return replace("", aFile) },
		"it is a pipe":          func(_, _ string) func(string) error { return replace("", pipe) },
		"a folder leads out":    func(outside, _ string) func(string) error { return replace("DCIM", linkTo(outside)) },
		"a folder leads around": func(_, mine string) func(string) error { return replace("DCIM", linkTo(mine+"/DCIM")) },
		"a folder leads up":     func(_, _ string) func(string) error { return replace("DCIM", linkTo("..")) },
		"a folder is a file":    func(_, _ string) func(string) error { return replace("DCIM/100SKUAS", aFile) },
		"a file leads out":      func(outside, _ string) func(string) error { return replace(proved, linkTo(outside+"/shadow")) },
		"a file leads around":   func(_, mine string) func(string) error { return replace(proved, linkTo(mine+"/keep")) },
		"a file is a pipe":      func(_, _ string) func(string) error { return replace(proved, pipe) },
		"a file is a folder": func(_, _ string) func(string) error {
			return replace(proved, func(full string) error { return os.MkdirAll(full+"/within", 0o755) })
		},
		"a file is another": func(_, _ string) func(string) error { return replace(proved, aFile) },
		"its history leads out": func(outside, _ string) func(string) error {
			return replace("ascmhl", linkTo(outside+"/ascmhl"))
		},
		"its history leads around": func(_, mine string) func(string) error { return replace("ascmhl", linkTo(mine)) },
		"its history is a file":    func(_, _ string) func(string) error { return replace("ascmhl", aFile) },
		"its manifest leads out": func(outside, _ string) func(string) error {
			return replace("ascmhl", func(full string) error {
				if err := os.Mkdir(full, 0o755); err != nil {
					return err
				}
				return os.Symlink(outside+"/shadow", full+"/bothy-manifest.unfinished")
			})
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2)
			outside := newCanary(t, m.base)
			card, good, bad := m.card("sda", "SKUA_1", 70), m.drive("sdb"), m.drive("sdc")
			mine := filepath.Join(bad.dir, "mine")
			for _, set := range []func(string, string) error{content("mine/keep", "mine", 0), content("mine/DCIM/keep", "mine too", 0)} {
				if err := set(bad.dir, ""); err != nil {
					t.Fatal(err)
				}
			}
			before := standing(t, bad.dir)
			unfinished := interrupted(t, m, card, good, bad)
			if err := set(outside.dir, mine)(unfinished); err != nil {
				t.Fatal(err)
			}
			m.plug(card)
			m.until("it is decided", func(st *state.State) bool {
				c, ok := cardOf(st, card.name)
				return ok && c.Phase == state.CardDecided && idle(st)
			})
			outside.mustBeSilent()
			mustStand(t, before, standing(t, bad.dir))
			if len(good.finished()) != 1 {
				t.Errorf("copies on the sound drive: %v", good.finished())
			}
			// A third drive takes the place of one that could not be used.
			if len(bad.finished()) == 0 {
				m.plug(m.drive("sdd"))
			}
			m.untilReleased(card) // and the oracle agrees
			outside.mustBeSilent()
			mustStand(t, before, standing(t, bad.dir))
		})
	}
}

// interrupted has a card pulled when a group of its files is proven on both
// drives, and gives the second one's unfinished folder.
func interrupted(t *testing.T, m *sim, card, good, bad *simMedium) string {
	t.Helper()
	m.start()
	reached, goOn := make(chan struct{}), make(chan struct{})
	last := "SKUA0070"
	card.on(blockOnce("read", last, reached, goOn))
	m.plug(card, good, bad)
	<-reached
	m.until("a group is proven", func(st *state.State) bool {
		return len(st.Offloads) == 1 && !slices.ContainsFunc(st.Offloads[0].Copies, func(c state.Copy) bool { return c.FilesProven < 64 })
	})
	m.pull(card)
	close(goOn)
	m.until("work has ended", func(st *state.State) bool { return idle(st) && len(st.Offloads) == 1 && !st.Offloads[0].Running })
	card.on(nil)
	list := bad.unfinished()
	if len(list) != 1 || !strings.HasSuffix(list[0], ".unfinished") {
		t.Fatalf("unfinished: %v", list)
	}
	if _, err := os.Stat(filepath.Join(list[0], proved)); err != nil {
		t.Fatal(err)
	}
	return list[0]
}
