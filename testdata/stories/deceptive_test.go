package stories

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"bothy/testdata/testbed"
)

// A drive says that it has flushed and has not: when it is plugged in again, the released
// card's copy is not there. The release is taken back and the card copied once more.
func TestStory_driveThatForgets(t *testing.T) {
	inTurn(t, 0)
	t.Parallel()
	remembers := filepath.Join(t.TempDir(), "remembers.img")
	b := crawlingAfter(t, "SKUA_V1", NewTree(t, "forgets", 3, 1, 3), testbed.Ext4, func(c *crawling) {
		// What the drive has really kept is what it was when the box first knew it.
		c.PlugUSB("drive-b", c.drives[1], testbed.USBOptions{})
		c.Until("the drive is known", func(s Status) bool { return s.AttachedDrives() == 1 && s.settled() })
		c.UnplugUSB("drive-b")
		copyImage(t, c.drives[1], remembers)
	})
	b.hurry()
	b.UntilDecided("SKUA_V1", "release")
	b.UnplugUSB("drive-b")
	b.Until("the drive is away", func(s Status) bool { return s.AttachedDrives() == 1 })
	copyImage(t, remembers, b.drives[1])
	b.Throttle("card", crawl, 1<<20) // the hold is there to be seen
	b.PlugUSB("drive-b", b.drives[1], testbed.USBOptions{})
	b.Until("the release is taken back", func(s Status) bool {
		return len(s.Cards) == 1 && s.Cards[0].Verdict == "hold" && s.HasCondition("copy-damaged")
	})
	b.hurry()
	b.UntilDecided("SKUA_V1", "release")
	b.ends()
}

// A drive's file system comes upon an error in mid-copy and lets nobody write any more, as
// errors=remount-ro has it (ext4(5)). That is said, the other copy is finished, and the
// card held. Mended by its own checker at a computer, the drive is given the rest. Which
// error whoever writes gets is the kernel's affair: that of the bed, 6.12, says EIO; earlier
// ones said EROFS (from memory).
func TestStory_driveTurnsReadOnly(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	b := startCrawling(t, "SKUA_F6", NewTree(t, "read-only", 0, 6, 4), testbed.Ext4)
	b.inMidCopy(7)
	b.MustRun("echo nobody shot this >/sys/fs/ext4/" + filepath.Base(b.Node("drive-b")) + "/trigger_fs_error")
	b.hurry()
	s := b.UntilReason("SKUA_F6", "needs 1 more drive")
	if !s.HasCondition("drive-read-only") && !s.HasCondition("drive-failing") {
		t.Errorf("nobody is told of the drive: %+v", s.Conditions)
	}
	b.Until("nothing is in use", Status.settled)
	b.UnplugUSB("drive-b")
	out, err := exec.Command("e2fsck", "-f", "-y", b.drives[1]).CombinedOutput()
	if exit := (*exec.ExitError)(nil); err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 1) {
		t.Fatalf("e2fsck: %v\n%s", err, out)
	}
	if held := Extract(t, testbed.Ext4, b.drives[1]).Finished(t); len(held) > 0 {
		t.Errorf("a drive that could not be written holds %v", held)
	}
	b.PlugUSB("drive-b", b.drives[1], testbed.USBOptions{})
	b.UntilDecided("SKUA_F6", "release")
	b.ends()
}

// A card was wiped and shot full again by a camera that counts from one and whose clock
// begins anew: names, sizes, times, and what names the card are the same, and only the
// pictures differ. It is another off-load, and nothing of the first one is overwritten.
//
// The story judges by itself: the oracle tells cards by their labels.
func TestStory_sameNamesOtherBytes(t *testing.T) {
	inTurn(t, 2)
	t.Parallel()
	first, second := Tree{t.TempDir()}, Tree{t.TempDir()}
	for seed, tree := range map[string]Tree{"before": first, "after": second} {
		for i := range 3 { // an empty file would be the same one
			tree.Add(t, fmt.Sprintf("DCIM/100SKUAS/SKUA%04d.JPG", i+1), seed, 90_000)
		}
		tree.Add(t, "DCIM/101SKUAS/CLIP0001.MOV", seed, 3*testbed.MiB)
	}
	card := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_S1", first.dir)
	again := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_S1", second.dir)
	sameVolumeID(t, card, again)
	digest := testbed.Digest(t, again)
	kinds := []testbed.FS{testbed.ExFAT, testbed.FAT32}
	drives := []string{
		testbed.MakeImage(t, kinds[0], 96*testbed.MiB, "SKERRY_A", ""),
		testbed.MakeImage(t, kinds[1], 96*testbed.MiB, "SKERRY_B", ""),
	}
	b := &Box{t: t}
	b.begin(policyText, testbed.Options{})
	b.Guest.PlugUSB("drive-0", drives[0], testbed.USBOptions{})
	b.Guest.PlugUSB("drive-1", drives[1], testbed.USBOptions{})
	b.Guest.PlugUSB("card", card, testbed.USBOptions{Removable: true})
	b.UntilDecided("SKUA_S1", "release")
	b.UnplugUSB("card")
	b.Until("the card is out", func(s Status) bool { return len(s.Cards) == 0 })
	b.Guest.PlugUSB("card", again, testbed.USBOptions{Removable: true})
	s := b.UntilDecided("SKUA_S1", "release")
	if len(s.Offloads) != 2 {
		t.Errorf("other pictures made %d off-loads, want 2: %+v", len(s.Offloads), s.Offloads)
	}
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card", "drive-0", "drive-1"} {
		b.UnplugUSB(id)
	}
	if testbed.Digest(t, again) != digest {
		t.Error("the card was written")
	}
	for i, fsType := range kinds {
		Extract(t, fsType, drives[i]).MustHoldEach(t, first, second)
	}
}

// sameVolumeID gives one FAT32 volume the number of another, in both of its boot sectors
// (Microsoft, FAT file system specification 1.03: BS_VolID at 67, BPB_BkBootSec usually 6).
func sameVolumeID(t *testing.T, from, to string) {
	t.Helper()
	const volumeID, backup = 67, 6 * 512
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	for _, at := range []int64{volumeID, backup + volumeID} {
		if err := testbed.MutateImage(to, at, data[at:at+4]); err != nil {
			t.Fatal(err)
		}
	}
	if a, b := probeImage(t, from)["UUID"], probeImage(t, to)["UUID"]; a != b {
		t.Fatalf("the volumes are %s and %s", a, b)
	}
}
