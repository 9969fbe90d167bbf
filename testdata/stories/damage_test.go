package stories

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"bothy/testdata/testbed"
)

// A file rots in a drawer, where nothing reads it. When the drive is back the
// patrol finds it, and it is healed from the other drive; power fails in the
// middle of that. The clock of this guest is never right, so that after a start
// every proof is taken to be old.
func TestStory_damageIsFoundAndHealed(t *testing.T) {
	inTurn(t, 0)
	t.Parallel()
	tree := NewTree(t, "rot", 3, 2, 3)
	card := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_R1", tree.dir)
	kinds := []testbed.FS{testbed.ExFAT, testbed.Ext4}
	drives := []string{
		testbed.MakeImage(t, kinds[0], 96*testbed.MiB, "SKERRY_A", ""),
		testbed.MakeImage(t, kinds[1], 96*testbed.MiB, "SKERRY_B", ""),
	}
	b := StartBox(t, policyText, testbed.Options{})
	b.PlugUSB("drive-0", drives[0], testbed.USBOptions{})
	b.PlugUSB("drive-1", drives[1], testbed.USBOptions{})
	b.PlugUSB("card", card, testbed.USBOptions{Removable: true})
	b.UntilDecided("SKUA_R1", "release")
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card", "drive-0", "drive-1"} {
		b.UnplugUSB(id)
	}
	clip, err := os.ReadFile(filepath.Join(tree.dir, "DCIM/101SKUAS/CLIP0002.MOV"))
	if err != nil {
		t.Fatal(err)
	}
	if err := testbed.MutateImage(drives[0], find(t, drives[0], clip[1<<20:1<<20+4096]), []byte("a byte that nobody shot")); err != nil {
		t.Fatal(err)
	}
	b.PowerCut()
	b.Boot()
	// Healing writes three megabytes to the first drive; slow, it can be hit.
	b.PlugUSB("drive-0", drives[0], testbed.USBOptions{WriteBps: 300_000, ReadBps: 32 << 20})
	b.PlugUSB("drive-1", drives[1], testbed.USBOptions{})
	b.Until("the damage is known and being healed", func(s Status) bool {
		return s.HasCondition("copy-damaged") && s.Errand.Kind == "heal" && s.Errand.Done > 0
	})
	b.PowerCut()
	b.Boot()
	b.Throttle("drive-0", 32<<20, 32<<20)
	b.Until("the damaged file is healed", func(Status) bool { return b.metric("bothy_files_healed_total") == "1" })
	s := b.Until("nothing is left to be done", func(s Status) bool {
		return s.Errand.Kind == "" && s.AttachedDrives() == 2 && s.settled() && !s.HasCondition("copy-damaged")
	})
	if s.HasCondition("drive-behind") {
		t.Errorf("%+v", s.Conditions)
	}
	b.MustRun("systemctl stop bothy")
	b.UnplugUSB("drive-0")
	b.UnplugUSB("drive-1")
	for i, fsType := range kinds {
		e := Extract(t, fsType, drives[i])
		e.MustHoldOnly(t, tree)
		left, err := filepath.Glob(filepath.Join(e.dir, ".bothy", "*"+"-*", "*"))
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range left {
			if data, err := os.ReadFile(name); err == nil && bytes.Contains(data, clip[:4096]) {
				t.Errorf("%s is still there", name)
			}
		}
	}
	if got := manifestsOf(t, Extract(t, kinds[0], drives[0])); got < 2 {
		t.Errorf("the healed copy has %d generations, so nobody can tell that it was healed", got)
	}
}

// manifestsOf counts the generations of a drive's only finished copy.
func manifestsOf(t *testing.T, e Extracted) int {
	t.Helper()
	manifests, err := filepath.Glob(filepath.Join(e.mustHave(t, 1)[0], "ascmhl", "*.mhl"))
	if err != nil {
		t.Fatal(err)
	}
	return len(manifests)
}
