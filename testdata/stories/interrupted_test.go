package stories

import (
	"os/exec"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// inMidCopy waits until each drive has some files of the running offload proven,
// and none has them all.
func (b *Box) inMidCopy(files int) Status {
	b.t.Helper()
	return b.Until("the copy is half done", func(s Status) bool {
		if len(s.Offloads) == 0 || !s.Offloads[0].Running {
			return false
		}
		begun := len(s.Offloads[0].Copies) > 0
		for _, c := range s.Offloads[0].Copies {
			if c.FilesProven >= files {
				return false
			}
			begun = begun && c.FilesProven >= 1
		}
		return begun
	})
}

// crawling is a card that is read at a crawl to two drives, for something to be done in the
// middle of that.
type crawling struct {
	*Box
	tree   Tree
	card   string // these are images
	drives [2]string
	kinds  [2]testbed.FS
	digest string // of the card as it was
}

// startCrawling boots a box and plugs in an exFAT drive, another one, and the card.
func startCrawling(t *testing.T, label string, tree Tree, other testbed.FS) *crawling {
	t.Helper()
	return crawlingAfter(t, label, tree, other, nil)
}

// crawlingAfter does something to the box before anything is plugged in.
func crawlingAfter(t *testing.T, label string, tree Tree, other testbed.FS, before func(c *crawling)) *crawling {
	t.Helper()
	c := &crawling{tree: tree, kinds: [2]testbed.FS{testbed.ExFAT, other}}
	c.card = testbed.MakeImage(t, testbed.FAT32, 96*testbed.MiB, label, tree.dir)
	c.digest = testbed.Digest(t, c.card)
	for i, name := range []string{"SKERRY_A", "SKERRY_B"} {
		c.drives[i] = testbed.MakeImage(t, c.kinds[i], 96*testbed.MiB, name, "")
	}
	c.Box = StartBox(t, besides, testbed.Options{})
	if before != nil {
		before(c)
	}
	c.PlugUSB("drive-a", c.drives[0], testbed.USBOptions{})
	c.PlugUSB("drive-b", c.drives[1], testbed.USBOptions{})
	c.PlugUSB("card", c.card, testbed.USBOptions{Removable: true, ReadBps: crawl, WriteBps: 1 << 20})
	return c
}

// hurry has the card read as fast as others are.
func (c *crawling) hurry() {
	c.t.Helper()
	c.Throttle("card", 16<<20, 1<<20)
}

// ends stops the box and pulls everything: the card is as it was, and each drive holds it
// and nothing else.
func (c *crawling) ends() {
	c.t.Helper()
	c.MustRun("systemctl stop bothy")
	for _, id := range []string{"card", "drive-a", "drive-b"} {
		c.UnplugUSB(id)
	}
	if testbed.Digest(c.t, c.card) != c.digest {
		c.t.Error("the card was written")
	}
	for i, image := range c.drives {
		Extract(c.t, c.kinds[i], image).MustHoldOnly(c.t, c.tree)
	}
}

// The card is pulled in mid-copy and put back: held, then resumed and
// released. What was proven is not written again: the drives are given less
// than twice the card's bytes.
func TestStory_cardPulledAndPutBack(t *testing.T) {
	inTurn(t, 2)
	t.Parallel()
	b := startCrawling(t, "SKUA_F1", NewTree(t, "pulled", 0, 6, 5), testbed.Ext4)
	b.inMidCopy(7)
	b.UnplugUSB("card")
	b.Until("the box says that the card was pulled", func(s Status) bool { return len(s.Cards) == 0 && s.HasCondition("card-gone") })
	b.PlugUSB("card", b.card, testbed.USBOptions{Removable: true})
	s := b.UntilDecided("SKUA_F1", "release")
	if len(s.Offloads) != 1 {
		t.Errorf("the card coming back began another offload: %+v", s.Offloads)
	}
	for _, c := range s.Offloads[0].Copies {
		if c.WrittenBytes >= 30*testbed.MiB {
			t.Errorf("%s was given %d bytes after the card came back, as many as the whole card has", c.DriveName, c.WrittenBytes)
		}
	}
	b.ends()
}

// One drive is pulled in mid-copy: the other copy finishes, and the card is
// held until the drive is back.
func TestStory_drivePulled(t *testing.T) {
	inTurn(t, 2)
	t.Parallel()
	b := startCrawling(t, "SKUA_F2", NewTree(t, "drive", 0, 6, 4), testbed.FAT32)
	b.inMidCopy(7)
	b.UnplugUSB("drive-b")
	b.hurry()
	b.UntilReason("SKUA_F2", "needs 1 more drive")
	b.PlugUSB("drive-b", b.drives[1], testbed.USBOptions{})
	b.UntilDecided("SKUA_F2", "release")
	b.ends()
}

// The power fails in mid-copy: after the boot, with everything present before
// the daemon starts, the box comes to the same end unattended.
func TestStory_powerCut(t *testing.T) {
	t.Parallel()
	b := startCrawling(t, "SKUA_F3", NewTree(t, "power", 2, 5, 4), testbed.Ext4)
	b.inMidCopy(10)
	b.PowerCut()
	b.hurry()
	b.Boot()
	b.UntilDecided("SKUA_F3", "release")
	if failed := b.Failed(); len(failed) > 0 && strings.Contains(strings.Join(failed, " "), "bothy") {
		t.Errorf("failed units: %v", failed)
	}
	b.ends()
}

// The box is shut down in mid-copy: the service stops in time, so the drives are let go
// whole, as the checkers of their file systems say (fsck.exfat of exfatprogs, e2fsck of
// e2fsprogs). After the boot the same off-load goes on.
func TestStory_shutDownInMidCopy(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	b := startCrawling(t, "SKUA_F5", NewTree(t, "down", 0, 7, 4), testbed.Ext4)
	before := b.inMidCopy(5)
	b.ShutDown()
	for _, check := range [][]string{{"fsck.exfat", "-n", b.drives[0]}, {"e2fsck", "-f", "-n", b.drives[1]}, {"dumpe2fs", "-h", b.drives[1]}} {
		out, err := exec.Command(check[0], check[1:]...).CombinedOutput()
		if err != nil || strings.Contains(string(out), "needs_recovery") {
			t.Errorf("%v after the shutdown: %v\n%s", check, err, out)
		}
	}
	b.hurry()
	b.Boot()
	after := b.UntilDecided("SKUA_F5", "release")
	if len(after.Offloads) != 1 || after.Offloads[0].ID != before.Offloads[0].ID {
		t.Errorf("another off-load was begun: %+v", after.Offloads)
	}
	b.ends()
}

// Another card goes into a reader that stays, while the first one is copied:
// the offload is void and not one byte of the second card stands under the
// first one's name.
func TestStory_swappedInTheReader(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	first, second := NewTree(t, "swap-first", 0, 8, 5), NewTree(t, "swap-second", 0, 8, 5)
	cardA := testbed.MakeImage(t, testbed.FAT32, 96*testbed.MiB, "SKUA_G1", first.dir)
	cardB := testbed.MakeImage(t, testbed.FAT32, 96*testbed.MiB, "SKUA_G2", second.dir)
	driveA := testbed.MakeImage(t, testbed.ExFAT, 128*testbed.MiB, "SKERRY_A", "")
	driveB := testbed.MakeImage(t, testbed.Ext4, 128*testbed.MiB, "SKERRY_B", "")
	digestB := testbed.Digest(t, cardB)
	b := StartBox(t, policyText, testbed.Options{ReaderSlots: 1, MemoryMiB: 768})
	b.PlugUSB("drive-a", driveA, testbed.USBOptions{WriteBps: 2 << 20, ReadBps: 16 << 20})
	b.PlugUSB("drive-b", driveB, testbed.USBOptions{WriteBps: 2 << 20, ReadBps: 16 << 20})
	b.ReaderInsert(0, cardA, testbed.USBOptions{})
	b.Until("the copy runs", func(s Status) bool {
		return len(s.Offloads) > 0 && s.Offloads[0].Running && s.Offloads[0].ReadBytes > 6*testbed.MiB
	})
	b.ReaderSwap(0, cardB, testbed.USBOptions{})
	b.Until("the offload is void", func(s Status) bool { return s.HasCondition("card-changed") && !s.Offloads[0].Running })
	s := b.UntilReason("SKUA_G2", "take it out")
	if s.Offloads[0].Verdict == "release" {
		t.Error("a void offload was released")
	}
	b.ReaderEject(0)
	b.Until("the slot is empty", func(s Status) bool { return len(s.Cards) == 0 })
	b.ReaderInsert(0, cardB, testbed.USBOptions{})
	b.UntilDecided("SKUA_G2", "release")
	b.MustRun("systemctl stop bothy")
	b.UnplugUSB("drive-a")
	b.UnplugUSB("drive-b")
	b.ReaderEject(0)
	if testbed.Digest(t, cardB) != digestB {
		t.Error("the second card was written")
	}
	for i, fsType := range []testbed.FS{testbed.ExFAT, testbed.Ext4} {
		e := Extract(t, fsType, []string{driveA, driveB}[i])
		finished := e.Finished(t)
		if len(finished) != 1 {
			t.Fatalf("%d finished copies, want the second card's alone: %v", len(finished), finished)
		}
		second.MustEqual(t, finished[0])
		for _, copy := range e.copies(t, func(n string) bool { return strings.HasSuffix(n, ".unfinished") }) {
			original := entries(t, first.dir)
			for name, data := range entries(t, copy) {
				if want, ok := original[name]; data != nil && (!ok || string(want) != string(data)) {
					t.Errorf("%s of the void offload is not the first card's", name)
				}
			}
		}
	}
}
