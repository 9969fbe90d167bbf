package stories

import (
	"testing"

	"bothy/testdata/testbed"
)

// A drive was away while two cards were copied. It gets both from the other
// drives, without the cards. Power fails in the middle of that, and a third card
// goes first.
func TestStory_driveThatWasAway(t *testing.T) {
	inTurn(t, 2)
	first, second, third := NewTree(t, "away-first", 2, 6, 2), NewTree(t, "away-second", 2, 3, 1), NewTree(t, "away-third", 2, 2, 1)
	var cards []string
	for i, tree := range []Tree{first, second, third} {
		cards = append(cards, testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_W"+string(rune('1'+i)), tree.dir))
	}
	kinds := []testbed.FS{testbed.ExFAT, testbed.Ext4, testbed.FAT32}
	var drives []string
	for i, fsType := range kinds {
		drives = append(drives, testbed.MakeImage(t, fsType, 128*testbed.MiB, "SKERRY_"+string(rune('A'+i)), ""))
	}
	b := StartBox(t, policyText, testbed.Options{MemoryMiB: 768})
	b.PlugUSB("drive-0", drives[0], testbed.USBOptions{})
	b.PlugUSB("drive-1", drives[1], testbed.USBOptions{})
	for i, card := range cards[:2] {
		b.PlugUSB("card", card, testbed.USBOptions{Removable: true})
		b.UntilDecided("SKUA_W"+string(rune('1'+i)), "release")
		b.UnplugUSB("card")
	}
	writing := func(s Status) bool { return s.Errand.Kind == "catch-up" && s.Errand.Done > 0 }
	b.PlugUSB("drive-2", drives[2], testbed.USBOptions{WriteBps: 500_000, ReadBps: 16 << 20})
	b.Until("the drive that was away is being written to", writing)
	b.PowerCut()
	b.Boot()
	b.Until("it is being written to again", writing)
	b.PlugUSB("card", cards[2], testbed.USBOptions{Removable: true})
	s := b.Until("the third card is released", func(s Status) bool {
		return len(s.Cards) == 1 && s.Cards[0].Label == "SKUA_W3" && s.Cards[0].Verdict == "release" && s.Cards[0].Phase == "decided"
	})
	for _, d := range s.Drives {
		if d.Name == "SKERRY_C" && d.Copies == 2 {
			t.Error("the drive had caught up before, so this shows nothing")
		}
	}
	b.Throttle("drive-2", 16<<20, 16<<20) // it need not take all day
	s = b.Until("the drive that was away has all three", func(s Status) bool {
		for _, d := range s.Drives {
			if d.InUse || d.Copies != 3 {
				return false
			}
		}
		return len(s.Drives) == 3 && s.Errand.Kind == ""
	})
	if s.HasCondition("drive-behind") || s.HasCondition("copy-damaged") {
		t.Errorf("%+v", s.Conditions)
	}
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card", "drive-0", "drive-1", "drive-2"} {
		b.UnplugUSB(id)
	}
	for i, fsType := range kinds {
		Extract(t, fsType, drives[i]).MustHoldEach(t, first, second, third)
	}
}
