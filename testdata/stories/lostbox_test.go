package stories

import (
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// A box is lost with its ledger. Another one learns from the drives what there
// is: from the ledger that was left on one drive, and from the manifests alone on
// the other, also when power fails in the middle of asking. Nothing is released for
// that: the card that comes back is copied before it is.
func TestStory_lostBox(t *testing.T) {
	inTurn(t, 0)
	t.Parallel()
	first, second := NewTree(t, "lost-first", 3, 2, 1), NewTree(t, "lost-second", 2, 1, 1)
	cards := []string{
		testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_L1", first.dir),
		testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_L2", second.dir),
	}
	drives := []string{
		testbed.MakeImage(t, testbed.ExFAT, 96*testbed.MiB, "SKERRY_A", ""),
		testbed.MakeImage(t, testbed.Ext4, 96*testbed.MiB, "SKERRY_B", ""),
	}
	lost := StartBox(t, policyText, testbed.Options{})
	lost.PlugUSB("drive-0", drives[0], testbed.USBOptions{})
	lost.PlugUSB("drive-1", drives[1], testbed.USBOptions{})
	for i, card := range cards {
		lost.PlugUSB("card", card, testbed.USBOptions{Removable: true})
		lost.UntilDecided("SKUA_L"+string(rune('1'+i)), "release")
		lost.UnplugUSB("card")
	}
	lost.Until("the box has nothing to do", func(s Status) bool { return s.settled() && s.Errand.Kind == "" })
	lost.MustRun("systemctl stop bothy")
	lost.MustRun("mount LABEL=SKERRY_B /mnt && rm /mnt/.bothy/ledger-* && umount /mnt")
	lost.UnplugUSB("drive-0")
	lost.UnplugUSB("drive-1")
	lost.PowerCut()

	b := StartBox(t, strings.Replace(policyText, "skerry-2", "skerry-7", 1), testbed.Options{})
	// The second drive alone has nothing but its copies to tell of them.
	b.PlugUSB("drive-1", drives[1], testbed.USBOptions{})
	b.Until("the drive is known", func(s Status) bool { return s.AttachedDrives() == 1 && s.settled() })
	told := b.MustRun("bothy recover SKERRY_B")
	t.Log(told)
	if where := b.MustRun("bothy where CLIP0002.MOV --json"); !strings.Contains(where, "SKERRY_B") || strings.Contains(where, "SKERRY_A") {
		t.Errorf("from the manifests alone: %s", where)
	}
	// Read slowly, the ledger on the other can be met by a power cut.
	b.PlugUSB("drive-0", drives[0], testbed.USBOptions{ReadBps: 10_000, WriteBps: 16 << 20})
	b.Until("the other drive is asked what it knows", func(s Status) bool { return s.Errand.Kind == "recover" })
	b.PowerCut()
	b.Throttle("drive-0", 16<<20, 16<<20)
	b.Boot()
	b.Until("both drives are known", func(s Status) bool { return s.AttachedDrives() == 2 && s.settled() })
	t.Log(b.MustRun("bothy recover SKERRY_A SKERRY_B"))
	for _, label := range []string{"SKUA_L1", "SKUA_L2"} {
		if list := b.MustRun("bothy list offloads --card " + label + " --json"); !strings.Contains(list, label) {
			t.Errorf("the new box knows nothing of %s: %s", label, list)
		}
	}
	if where := b.MustRun("bothy where CLIP0002.MOV --json"); !strings.Contains(where, "SKERRY_A") || !strings.Contains(where, "SKERRY_B") {
		t.Errorf("where: %s", where)
	}
	// A card that the lost box has copied comes back.
	b.PlugUSB("card", cards[0], testbed.USBOptions{Removable: true})
	b.UntilDecided("SKUA_L1", "release")
	b.Until("the box has nothing to do", func(s Status) bool { return s.settled() && s.Errand.Kind == "" })
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card", "drive-0", "drive-1"} {
		b.UnplugUSB(id)
	}
	for i, fsType := range []testbed.FS{testbed.ExFAT, testbed.Ext4} {
		Extract(t, fsType, drives[i]).MustHoldEach(t, first, first, second)
	}
}
