package stories

import (
	"slices"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// A card fits on one drive of the two that it needs. It is held before the first
// byte of it is copied there, with what would make room; when there is room it is
// copied without anybody's doing.
func TestStory_noRoomForTheCard(t *testing.T) {
	inTurn(t, 2)
	t.Parallel()
	tree := NewTree(t, "room", 1, 3, 8)
	card := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_N1", tree.dir)
	wide := testbed.MakeImage(t, testbed.ExFAT, 96*testbed.MiB, "SKERRY_A", "")
	full := NewTree(t, "room-full", 0, 1, 40)
	narrow := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKERRY_B", full.dir)
	b := StartBox(t, policyText, testbed.Options{})
	b.PlugUSB("drive-0", wide, testbed.USBOptions{})
	b.PlugUSB("drive-1", narrow, testbed.USBOptions{})
	b.PlugUSB("card", card, testbed.USBOptions{Removable: true})
	s := b.UntilReason("SKUA_N1", "SKERRY_B")
	if reason := s.Cards[0].Reason; !strings.Contains(reason, "; free ") || !strings.Contains(reason, " on SKERRY_B, or attach another drive") {
		t.Errorf("the reason does not say what to do: %s", reason)
	}
	for _, o := range s.Offloads {
		for _, c := range o.Copies {
			if c.DriveName == "SKERRY_B" && c.WrittenBytes > 0 {
				t.Errorf("%d bytes were written to a drive that cannot hold the card", c.WrittenBytes)
			}
		}
	}
	if !s.HasCondition("drive-full") {
		t.Errorf("%+v", s.Conditions)
	}
	// Somebody makes room at a computer.
	b.Until("nothing is in use", Status.settled)
	b.UnplugUSB("drive-1")
	other := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKERRY_C", "")
	b.PlugUSB("drive-1", other, testbed.USBOptions{})
	s = b.UntilDecided("SKUA_N1", "release")
	if slices.ContainsFunc(s.Offloads, func(o offloadStatus) bool { return o.Running }) {
		t.Errorf("%+v", s.Offloads)
	}
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card", "drive-0", "drive-1"} {
		b.UnplugUSB(id)
	}
	Extract(t, testbed.ExFAT, wide).MustHoldOnly(t, tree)
	Extract(t, testbed.FAT32, other).MustHoldOnly(t, tree)
	if held := Extract(t, testbed.FAT32, narrow).copies(t, func(string) bool { return true }); len(held) > 0 {
		t.Errorf("the narrow drive holds %v", held)
	}
}
