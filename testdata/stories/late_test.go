package stories

import (
	"testing"

	"bothy/testdata/testbed"
)

// A third drive is far slower than the two that are needed. The card is released
// without it and pulled, another card goes in and is released beside it, and in
// the end the third drive has both cards, proven.
func TestStory_slowThirdDriveAndCardPulled(t *testing.T) {
	inTurn(t, 2)
	t.Parallel()
	first, second := NewTree(t, "late-first", 2, 12, 2), NewTree(t, "late-second", 2, 2, 1)
	cardA := testbed.MakeImage(t, testbed.FAT32, 96*testbed.MiB, "SKUA_L1", first.dir)
	cardB := testbed.MakeImage(t, testbed.FAT32, 96*testbed.MiB, "SKUA_L2", second.dir)
	kinds := []testbed.FS{testbed.ExFAT, testbed.Ext4, testbed.FAT32}
	var drives []string
	for i, fsType := range kinds {
		drives = append(drives, testbed.MakeImage(t, fsType, 128*testbed.MiB, "SKERRY_"+string(rune('A'+i)), ""))
	}
	digest := testbed.Digest(t, cardA)
	b := StartBox(t, policyText, testbed.Options{MemoryMiB: 768})
	b.PlugUSB("drive-0", drives[0], testbed.USBOptions{})
	b.PlugUSB("drive-1", drives[1], testbed.USBOptions{})
	b.PlugUSB("drive-2", drives[2], testbed.USBOptions{WriteBps: 700_000, ReadBps: 16 << 20})
	b.PlugUSB("card-a", cardA, testbed.USBOptions{Removable: true})
	s := b.Until("the first card is released while the third drive is behind", func(s Status) bool {
		return len(s.Cards) == 1 && s.Cards[0].Verdict == "release" && s.Cards[0].Phase == "decided"
	})
	if c := s.Offloads[0].Copies; len(c) != 3 || finished(c[2].Phase) {
		t.Errorf("the third copy did not take longer, so this shows nothing: %+v", c)
	}
	b.UnplugUSB("card-a")
	b.PlugUSB("card-b", cardB, testbed.USBOptions{Removable: true})
	b.Until("the second card is released", func(s Status) bool {
		return len(s.Cards) == 1 && s.Cards[0].Label == "SKUA_L2" && s.Cards[0].Verdict == "release"
	})
	b.Throttle("drive-2", 16<<20, 16<<20) // it need not take all day
	s = b.Until("the third drive has both cards", func(s Status) bool {
		for _, d := range s.Drives {
			if d.InUse || d.Copies != 2 {
				return false
			}
		}
		return len(s.Drives) == 3
	})
	if s.HasCondition("card-gone") {
		t.Error("the box complains of a card that could be pulled")
	}
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card-b", "drive-0", "drive-1", "drive-2"} {
		b.UnplugUSB(id)
	}
	if testbed.Digest(t, cardA) != digest {
		t.Error("the first card was written")
	}
	for i, fsType := range kinds {
		Extract(t, fsType, drives[i]).MustHoldEach(t, first, second)
	}
}

func finished(phase string) bool { return phase == "proven" || phase == "failed" || phase == "refused" }
