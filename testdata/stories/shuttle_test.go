package stories

import (
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// A shuttle takes the clips to somebody who cuts them. It counts for no card; it
// is filled when two cards are safe, power fails in the middle of that, and in the
// end it holds the clips, their histories, a report, and nothing else of the box.
func TestStory_shuttle(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	first, second := NewTree(t, "shuttle-first", 3, 3, 2), NewTree(t, "shuttle-second", 2, 1, 1)
	cards := []string{
		testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_H1", first.dir),
		testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_H2", second.dir),
	}
	drives := []string{
		testbed.MakeImage(t, testbed.ExFAT, 96*testbed.MiB, "SKERRY_A", ""),
		testbed.MakeImage(t, testbed.Ext4, 96*testbed.MiB, "SKERRY_B", ""),
	}
	shuttle := testbed.MakeImage(t, testbed.ExFAT, 96*testbed.MiB, "EDITOR_1", "")
	policy := policyText + "\n[[drive]]\nname = \"editor\"\nlabel = \"EDITOR_*\"\nreserve = \"1MB\"\nrole = \"shuttle\"\nselect = { files = [\"*.MOV\"] }\n"
	b := StartBox(t, policy, testbed.Options{MemoryMiB: 768})
	b.PlugUSB("drive-0", drives[0], testbed.USBOptions{})
	b.PlugUSB("shuttle", shuttle, testbed.USBOptions{})
	b.PlugUSB("card", cards[0], testbed.USBOptions{Removable: true})
	b.UntilReason("SKUA_H1", "needs 1 more drive")
	b.Until("nothing is in use", Status.settled)
	b.UnplugUSB("shuttle")
	b.PlugUSB("drive-1", drives[1], testbed.USBOptions{})
	b.UntilDecided("SKUA_H1", "release")
	b.UnplugUSB("card")
	b.PlugUSB("card", cards[1], testbed.USBOptions{Removable: true})
	b.UntilDecided("SKUA_H2", "release")
	b.UnplugUSB("card")

	empty := testbed.MakeImage(t, testbed.ExFAT, 96*testbed.MiB, "EDITOR_2", "")
	b.PlugUSB("shuttle-2", empty, testbed.USBOptions{WriteBps: 500_000, ReadBps: 16 << 20})
	b.Until("the shuttle is being filled", func(s Status) bool { return s.Errand.Kind == "handover" && s.Errand.Done > 0 })
	b.PowerCut()
	b.Boot()
	b.Throttle("shuttle-2", 32<<20, 32<<20)
	b.Until("all drives are there", func(s Status) bool { return s.AttachedDrives() == 3 })
	told := b.MustRun("bothy handover EDITOR_2")
	if !strings.Contains(told, "4 files of 2 offloads") {
		t.Errorf("the command says %q", told)
	}
	b.Until("nothing is left to be done", func(s Status) bool { return s.Errand.Kind == "" && s.settled() })
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"drive-0", "drive-1", "shuttle-2"} {
		b.UnplugUSB(id)
	}
	Extract(t, testbed.ExFAT, drives[0]).MustHoldEach(t, first, second)
	Extract(t, testbed.Ext4, drives[1]).MustHoldEach(t, first, second)
	mustHoldClips(t, Extract(t, testbed.ExFAT, empty), first, second)
}

// mustHoldClips holds a shuttle against the clips of cards: every one of them,
// once, in folders that prove it, and nothing else.
func mustHoldClips(t *testing.T, e Extracted, trees ...Tree) {
	t.Helper()
	want := map[string]string{} // content, name
	for _, tree := range trees {
		for name, data := range entries(t, tree.dir) {
			if strings.HasSuffix(name, ".MOV") {
				want[string(data)] = name
			}
		}
	}
	parts := e.Finished(t)
	if len(parts) != len(trees) {
		t.Errorf("the shuttle holds %v", parts)
	}
	for _, part := range parts {
		MustValidate(t, part)
		for name, data := range entries(t, part) {
			switch {
			case data == nil || strings.HasPrefix(name, "ascmhl/"):
			case want[string(data)] != name:
				t.Errorf("%s in %s is no clip of a card, or not for the first time", name, part)
			default:
				delete(want, string(data))
			}
		}
	}
	for _, name := range want {
		t.Errorf("%s is not on the shuttle", name)
	}
	schemas, err := filepath.Abs("../standards")
	if err != nil {
		t.Fatal(err)
	}
	xmllint(t, filepath.Join(schemas, "ASCMHLDirectory.xsd"), filepath.Join(e.dir, "ascmhl_collection.xml"))
	err = filepath.WalkDir(e.dir, func(name string, d fs.DirEntry, err error) error {
		if rel, _ := filepath.Rel(e.dir, name); err == nil && !d.IsDir() && strings.HasPrefix(rel, ".bothy") && rel != ".bothy/drive.toml" {
			t.Errorf("%s is hidden on the shuttle", rel)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	reports, err := os.ReadDir(filepath.Join(e.dir, "reports"))
	if err != nil || !slices.ContainsFunc(reports, func(d os.DirEntry) bool { return strings.HasSuffix(d.Name(), ".html") }) {
		t.Errorf("reports %v: %v", reports, err)
	}
}
