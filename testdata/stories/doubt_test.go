package stories

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// Two partitions of one disk are two drives and one disk: the card stays held
// until a second disk comes. A stick that no rule names is not touched.
func TestStory_twoPartitionsAndAStranger(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	tree := NewTree(t, "partitions", 3, 1, 2)
	card := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_P1", tree.dir)
	disk := testbed.MakeDisk(t,
		testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, "SKERRY_P1", ""),
		testbed.MakeImage(t, testbed.ExFAT, 64*testbed.MiB, "SKERRY_P2", ""))
	second := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKERRY_Q", "")
	stranger := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "HOLIDAY", tree.dir)
	digest, cardDigest := testbed.Digest(t, stranger), testbed.Digest(t, card)

	b := StartBox(t, policyText, testbed.Options{})
	b.PlugUSB("stranger", stranger, testbed.USBOptions{Removable: true})
	b.PlugUSB("disk", disk, testbed.USBOptions{})
	b.PlugUSB("card", card, testbed.USBOptions{Removable: true})
	s := b.UntilReason("SKUA_P1", "needs 1 more drive")
	proven := 0
	for _, c := range s.Offloads[0].Copies {
		if c.Phase == "proven" {
			proven++
		}
	}
	if proven != 2 {
		t.Errorf("%d proven copies on the two partitions, want 2", proven)
	}
	found := false
	for _, d := range s.Devices {
		if d.Label == "HOLIDAY" {
			found = true
			if d.Decision != "left-alone" || !strings.Contains(d.Sentence, "left alone") {
				t.Errorf("the stranger: %s: %s", d.Decision, d.Sentence)
			}
		}
	}
	if !found {
		t.Error("the page does not speak of the stranger")
	}
	explained := b.Run("bothy explain " + b.Node("stranger"))
	if !strings.Contains(explained.Stdout+explained.Stderr, "HOLIDAY") {
		t.Errorf("bothy explain says: %s%s", explained.Stdout, explained.Stderr)
	}
	system := b.MustRun("findmnt -no SOURCE / ; lsblk -ndo NAME")
	for _, d := range s.Devices {
		if (d.Decision == "card" || d.Decision == "drive") && strings.HasPrefix(d.Disk, "vd") {
			t.Errorf("%s of the guest's own disks (%s) was taken as a %s", d.Name, system, d.Decision)
		}
	}
	b.PlugUSB("second", second, testbed.USBOptions{})
	b.UntilDecided("SKUA_P1", "release")
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card", "disk", "second", "stranger"} {
		b.UnplugUSB(id)
	}
	if testbed.Digest(t, stranger) != digest {
		t.Error("the stranger was written")
	}
	if testbed.Digest(t, card) != cardDigest {
		t.Error("the card was written")
	}
	Extract(t, testbed.Ext4, testbed.PartitionImage(t, disk, 1)).MustHoldOnly(t, tree)
	Extract(t, testbed.ExFAT, testbed.PartitionImage(t, disk, 2)).MustHoldOnly(t, tree)
	Extract(t, testbed.FAT32, second).MustHoldOnly(t, tree)
}

// The medium of one drive changes behind a clean cache, between the write and
// the read-back: only that copy is not proven.
func TestStory_imageChangedBehindACleanCache(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	tree := NewTree(t, "behind", 0, 3, 6)
	card := testbed.MakeImage(t, testbed.FAT32, 96*testbed.MiB, "SKUA_D1", tree.dir)
	good := testbed.MakeImage(t, testbed.Ext4, 96*testbed.MiB, "SKERRY_G", "")
	// Reading back comes after all writes on the bad drive, so that there is a
	// moment in between; a slow good drive makes it long.
	policy := policyText + "\n[[drive]]\nname = \"late\"\nlabel = \"LATE_*\"\nreserve = \"1MB\"\nread_back = \"after\"\n"
	bad := testbed.MakeImage(t, testbed.Ext4, 96*testbed.MiB, "LATE_B", "")
	b := StartBox(t, policy, testbed.Options{})
	b.PlugUSB("good", good, testbed.USBOptions{})
	// Reading back from the bad drive takes half a minute, so that the last
	// clip's first bytes are changed before they are reached.
	b.PlugUSB("bad", bad, testbed.USBOptions{ReadBps: 600_000, WriteBps: 64 << 20})
	b.PlugUSB("card", card, testbed.USBOptions{Removable: true})
	last, err := os.ReadFile(tree.dir + "/DCIM/101SKUAS/CLIP0003.MOV")
	if err != nil {
		t.Fatal(err)
	}
	b.Until("the bad drive is being read back", func(s Status) bool {
		for _, o := range s.Offloads {
			for _, c := range o.Copies {
				if c.DriveName == "LATE_B" && (c.Phase == "proving" || c.FilesProven > 0) {
					return true
				}
			}
		}
		return false
	})
	offset := find(t, bad, last[1<<20:(1<<20)+4096])
	if err := testbed.MutateImage(bad, offset, []byte("a bit that nobody shot")); err != nil {
		t.Fatal(err)
	}
	s := b.Until("the mismatch is counted", func(s Status) bool {
		reply, ok, _ := b.HTTPGet("/metrics")
		return ok && strings.Contains(string(reply.Body), "bothy_read_back_mismatches_total") &&
			!strings.Contains(string(reply.Body), "\nbothy_read_back_mismatches_total 0\n")
	})
	_ = s
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card", "good", "bad"} {
		b.UnplugUSB(id)
	}
	Extract(t, testbed.Ext4, good).MustHoldOnly(t, tree)
	for _, copy := range Extract(t, testbed.Ext4, bad).Finished(t) {
		tree.MustEqual(t, copy) // written again, or not finished at all
	}
}

// find gives the offset of a block's content in an image.
func find(t *testing.T, image string, block []byte) int64 {
	t.Helper()
	data, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(data, block)
	if at < 0 {
		t.Fatal("the clip is not in the image: nothing was written yet")
	}
	return int64(at)
}
