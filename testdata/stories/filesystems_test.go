package stories

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// Each file system as a card and as a drive: two cards and two drives at a
// time, so that every file system is met on both sides. The cards' images do
// not change by a bit.
func TestStory_everyFileSystemOnBothSides(t *testing.T) {
	t.Parallel()
	all := []testbed.FS{testbed.FAT32, testbed.ExFAT, testbed.Ext4, testbed.XFS, testbed.Btrfs, testbed.NTFS}
	b := StartBox(t, policyText, testbed.Options{})
	for i, cardFS := range all {
		driveA, driveB := all[(i+1)%len(all)], all[(i+2)%len(all)]
		name := string(cardFS) + " to " + string(driveA) + " and " + string(driveB)
		tree := NewTree(t, name, 3, 1, 5)
		label := "SKUA_" + strings.ToUpper(string(cardFS))
		card := testbed.MakeImage(t, cardFS, cardFS.SmallestBytes()+32*testbed.MiB, label, tree.dir)
		imageA := testbed.MakeImage(t, driveA, driveA.SmallestBytes()+32*testbed.MiB, "SKERRY_A", "")
		imageB := testbed.MakeImage(t, driveB, driveB.SmallestBytes()+32*testbed.MiB, "SKERRY_B", "")
		digest := testbed.Digest(t, card)
		b.PlugUSB("drive-a", imageA, testbed.USBOptions{})
		b.PlugUSB("drive-b", imageB, testbed.USBOptions{})
		b.PlugUSB("card", card, testbed.USBOptions{Removable: true})
		b.UntilDecided(label, "release")
		for _, id := range []string{"card", "drive-a", "drive-b"} {
			b.UnplugUSB(id)
		}
		b.Until("the card is out", func(s Status) bool { return len(s.Cards) == 0 })
		if testbed.Digest(t, card) != digest {
			t.Errorf("%s: the card was written", name)
		}
		Extract(t, driveA, imageA).MustHoldOnly(t, tree)
		Extract(t, driveB, imageB).MustHoldOnly(t, tree)
	}
}

// A card that was not cleanly unmounted is copied and held, because its
// journal is not replayed and files may not show; nothing on it changes. With
// the rule's word for it, it is released.
func TestStory_dirtyCards(t *testing.T) {
	inTurn(t, 0)
	t.Parallel()
	tree := NewTree(t, "dirty", 2, 1, 4)
	accepting := strings.Replace(policyText, `label = "SKUA_*"`, "label = \"SKUA_*\"\ndirty = \"accept\"", 1)
	b := StartBox(t, policyText, testbed.Options{})
	driveA := testbed.MakeImage(t, testbed.Ext4, 128*testbed.MiB, "SKERRY_A", "")
	driveB := testbed.MakeImage(t, testbed.ExFAT, 128*testbed.MiB, "SKERRY_B", "")
	b.PlugUSB("drive-a", driveA, testbed.USBOptions{})
	b.PlugUSB("drive-b", driveB, testbed.USBOptions{})
	var cards []string
	for _, fsType := range []testbed.FS{testbed.Ext4, testbed.XFS} {
		label := "SKUA_" + strings.ToUpper(string(fsType))
		card := dirtyImage(t, fsType, label, tree)
		cards = append(cards, card)
		digest := testbed.Digest(t, card)
		b.PlugUSB(label, card, testbed.USBOptions{Removable: true})
		s := b.UntilReason(label, "not cleanly unmounted")
		if !s.HasCondition("medium-dirty") {
			t.Errorf("%s: no condition says that the card is dirty", label)
		}
		b.UnplugUSB(label)
		if testbed.Digest(t, card) != digest {
			t.Errorf("%s: the card was written", label)
		}
	}
	b.WritePolicy(accepting)
	b.MustRun("systemctl reload bothy")
	digest := testbed.Digest(t, cards[0])
	b.PlugUSB("again", cards[0], testbed.USBOptions{Removable: true})
	b.UntilDecided("SKUA_EXT4", "release")
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"again", "drive-a", "drive-b"} {
		b.UnplugUSB(id)
	}
	if testbed.Digest(t, cards[0]) != digest {
		t.Error("the accepted dirty card was written")
	}
	for i, fsType := range []testbed.FS{testbed.Ext4, testbed.ExFAT} {
		e := Extract(t, fsType, []string{driveA, driveB}[i])
		for _, copy := range e.Finished(t) {
			tree.MustEqual(t, copy)
		}
	}
}

// dirtyImage copies an image while it is mounted, as pulling a card does.
func dirtyImage(t *testing.T, fsType testbed.FS, label string, tree Tree) string {
	t.Helper()
	image := testbed.MakeImage(t, fsType, fsType.SmallestBytes()+64*testbed.MiB, label, tree.dir)
	at, dirty := t.TempDir(), filepath.Join(t.TempDir(), label)
	script := `set -e
loop=$(losetup -f --show "$1"); trap 'umount "$2" 2>/dev/null || true; losetup -d $loop' EXIT
mount $loop "$2"; touch "$2/MISC"; sync -f "$2"; blockdev --flushbufs $loop; cp --sparse=always "$1" "$3"`
	if out, err := exec.Command("bash", "-c", script, "dirty", image, at, dirty).CombinedOutput(); err != nil {
		t.Fatalf("make a dirty %s: %v\n%s", fsType, err, out)
	}
	if _, err := os.Stat(dirty); err != nil {
		t.Fatal(err)
	}
	return dirty
}
