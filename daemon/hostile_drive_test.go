package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"bothy/daemon/state"
)

// trap is something on a drive that is made to hurt.
type trap struct {
	// set makes it below the drive's folder; outside is the canary's.
	set func(drive, outside string) error
	// refused: the drive is not used at all; otherwise it is, or its copy fails.
	refused bool
	// says is in the sentence that tells why.
	says string
}

func symlink(target, name string) func(drive, outside string) error {
	return func(drive, outside string) error {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(drive, name)), 0o755); err != nil {
			return err
		}
		return os.Symlink(strings.ReplaceAll(target, "OUTSIDE", outside), filepath.Join(drive, name))
	}
}

func fifo(name string) func(drive, outside string) error {
	return func(drive, _ string) error {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(drive, name)), 0o755); err != nil {
			return err
		}
		return syscall.Mkfifo(filepath.Join(drive, name), 0o644)
	}
}

func content(name, text string, sizeBytes int64) func(drive, outside string) error {
	return func(drive, _ string) error {
		full := filepath.Join(drive, name)
		if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(full, []byte(text), 0o644); err != nil {
			return err
		}
		return os.Truncate(full, max(sizeBytes, int64(len(text))))
	}
}

const today = "2026-11-25" // of the box in these tests

var driveTraps = map[string]trap{
	"identity folder is a link out":        {symlink("OUTSIDE", ".bothy"), true, ".bothy on the drive is no folder"},
	"identity folder is a link around":     {symlink("elsewhere", ".bothy"), true, ".bothy on the drive is no folder"},
	"identity folder is a link to itself":  {symlink(".bothy", ".bothy"), true, ".bothy on the drive is no folder"},
	"identity folder is a file":            {content(".bothy", "x", 0), true, ".bothy on the drive is no folder"},
	"identity folder is a pipe":            {fifo(".bothy"), true, ".bothy on the drive is no folder"},
	"identity is a link out":               {symlink("OUTSIDE/shadow", ".bothy/drive.toml"), true, "is no identity file"},
	"identity is a link to the system":     {symlink("/etc/shadow", ".bothy/drive.toml"), true, "is no identity file"},
	"identity is a pipe":                   {fifo(".bothy/drive.toml"), true, "is no identity file"},
	"identity is a folder":                 {content(".bothy/drive.toml/x", "x", 0), true, "is no identity file"},
	"identity has 1 GB":                    {content(".bothy/drive.toml", "id = 'abcdefgh'", 1<<30), true, "is no identity file"},
	"identity is rubbish":                  {content(".bothy/drive.toml", "\x00\xff\x1b[2J", 0), true, "parse .bothy/drive.toml"},
	"identity has a huge key":              {content(".bothy/drive.toml", strings.Repeat("k", 16000)+" = 1", 0), true, "the id is not one of ours"},
	"identity is deep":                     {content(".bothy/drive.toml", "a = "+strings.Repeat("[", 16000), 0), true, "parse .bothy/drive.toml"},
	"identity climbs":                      {content(".bothy/drive.toml", "id = \"../../outside/shadow\"\nname = \"x\"\n", 0), true, "the id is not one of ours"},
	"identity's temporary name leads out":  {symlink("OUTSIDE/shadow", ".bothy/drive.toml.tmp"), false, ""},
	"identity's temporary name is full":    {content(".bothy/drive.toml.tmp/x", "x", 0), true, "drive.toml.tmp"},
	"day is a link out":                    {symlink("OUTSIDE", today), false, `"2026-11-25" on the drive is a link, where a folder must be`},
	"day is a link to the root":            {symlink(".", today), false, "is a link, where a folder must be"},
	"day is a link to itself":              {symlink(today, today), false, "is a link, where a folder must be"},
	"day is a file":                        {content(today, "mine", 0), false, "is a file, where a folder must be"},
	"day is a pipe":                        {fifo(today), false, "is a pipe, where a folder must be"},
	"reports is a link out":                {symlink("OUTSIDE", "reports"), false, ""},
	"reports is a file":                    {content("reports", "mine", 0), false, ""},
	"another's history is a link":          {symlink("OUTSIDE/ascmhl", today+"/mine/ascmhl"), false, ""},
	"root has a history that leads out":    {symlink("OUTSIDE/ascmhl", "ascmhl"), false, ""},
	"another's unfinished folder is there": {content(today+"/skerry-test-SKUA_1-143100.unfinished/mine", "mine", 0), false, ""},
	"an unfinished folder is a link out":   {symlink("OUTSIDE", today+"/skerry-test-SKUA_1-143100.unfinished"), false, ""},
	"a finished folder is a link out":      {symlink("OUTSIDE", today+"/skerry-test-SKUA_1-143100"), false, ""},
	"an incomplete one is a pipe":          {fifo(today + "/skerry-test-SKUA_1-143100.incomplete"), false, ""},
}

// Failure catalogue, row 39, seen from the other side: a drive that is made to
// hurt. Nothing outside it is touched, not even read; nothing that stands on it
// changes; nothing hangs; a sentence says why, where it cannot be used; and the
// other drive gets its copy.
func TestSupervisor_hostileDrive(t *testing.T) {
	t.Parallel()
	for name, trap := range driveTraps {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 1)
			m.cfg.Now = func() (time.Time, bool) { return time.Date(2026, 11, 25, 14, 31, 0, 0, time.UTC), true }
			outside := newCanary(t, m.base)
			card, good, bad := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
			if err := trap.set(bad.dir, outside.dir); err != nil {
				t.Fatal(err)
			}
			before := standing(t, bad.dir)
			m.start()
			m.plug(good, bad)
			m.until("the drives are looked at", func(st *state.State) bool {
				return len(st.Drives) == 2 && idle(st) && driveNamed(st, "sdb").ID != ""
			})
			m.plug(card)
			m.untilReleased(card)
			outside.mustBeSilent()
			st := m.untilIdle()
			if len(good.finished()) != 1 {
				t.Errorf("copies on the sound drive: %v", good.finished())
			}
			mustStand(t, before, standing(t, bad.dir))
			checkSentence(t, st, trap)
		})
	}
}

// checkSentence: the drive, or its copy, says what is the matter.
func checkSentence(t *testing.T, st *state.State, trap trap) {
	t.Helper()
	d := driveNamed(st, "sdc")
	if d.Refused != trap.refused {
		t.Errorf("refused is %v, want %v: %+v", d.Refused, trap.refused, d)
	}
	said := d.Reason
	for _, o := range st.Offloads {
		for _, c := range o.Copies {
			said += "\n" + c.Reason
		}
	}
	if !strings.Contains(said, trap.says) {
		t.Errorf("nobody says %q, only %q", trap.says, said)
	}
	if trap.refused && !slices.ContainsFunc(st.Conditions, func(c state.Condition) bool { return strings.Contains(c.Detail, trap.says) }) {
		t.Errorf("no condition says %q: %+v", trap.says, st.Conditions)
	}
}

// standing is all that stands in a folder: kind, length, link target and
// content, by path. Links are not followed.
func standing(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	err := filepath.WalkDir(dir, func(name string, e os.DirEntry, err error) error {
		if err != nil || name == dir {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		said := info.Mode().String()
		switch {
		case info.Mode()&os.ModeSymlink != 0:
			target, err := os.Readlink(name)
			if err != nil {
				return err
			}
			said += " to " + target
		case info.Mode().IsRegular():
			said += fmt.Sprintf(" of %d bytes", info.Size())
			if info.Size() < 1<<20 {
				data, err := os.ReadFile(name)
				if err != nil {
					return err
				}
				said += ": " + string(data)
			}
		}
		all[strings.TrimPrefix(name, dir+"/")] = said
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// mustStand checks that what stood stands, unchanged, but for the box's own
// temporary files.
func mustStand(t *testing.T, before, after map[string]string) {
	t.Helper()
	for name, was := range before {
		if strings.HasSuffix(name, ".tmp") {
			continue
		}
		if now, ok := after[name]; !ok {
			t.Errorf("%q is gone", name)
		} else if now != was {
			t.Errorf("%q was %.80q and is %.80q", name, was, now)
		}
	}
}

// What a copy's own manifests say is read on its own drive: a folder that is a link to
// somewhere else, with manifests as they should be, tells nothing of the copy.
func TestOpened_historyStaysOnTheDrive(t *testing.T) {
	t.Parallel()
	drive, outside := t.TempDir(), t.TempDir()
	for _, dir := range []string{outside, filepath.Join(drive, "2026-06-21", "here")} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "SHOT0001.RAW"), []byte(dir), 0o644); err != nil {
			t.Fatal(err)
		}
		forge(t, dir)
	}
	if err := os.Symlink(outside, filepath.Join(drive, "2026-06-21", "linked")); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(drive)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	o := &Opened{Root: root}
	if h, err := o.history(t.Context(), "2026-06-21/here", nil); err != nil || h == nil {
		t.Fatalf("the drive's own copy cannot be read: %v", err)
	}
	for _, folder := range []string{"2026-06-21/linked", "../" + filepath.Base(outside), outside} {
		if h, err := o.history(t.Context(), folder, nil); err == nil {
			t.Errorf("%s is read, outside the drive: %v", folder, h.Dirs())
		}
	}
}
