package stories

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// What a drive cannot hold, or cannot tell apart, it refuses before the first
// byte, with a sentence that names the file; drives that can have it get it, and
// nothing else changes. A card whose folder leads back to the folder it lies in
// is held, and keeps nothing from going on.
func TestStory_cardsThatDrivesCannotHold(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	b := StartBox(t, policyText, testbed.Options{})
	exfat := testbed.MakeImage(t, testbed.ExFAT, 64*testbed.MiB, "SKERRY_X", "")
	ext4 := map[string]string{}
	disks := []testbed.USBDisk{{ID: "exfat", Image: exfat}}
	for _, name := range []string{"SKERRY_A", "SKERRY_B"} {
		ext4[name] = testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, name, "")
		disks = append(disks, testbed.USBDisk{ID: name, Image: ext4[name]})
	}
	b.PlugUSBs(disks...)
	b.Until("the drives are known", func(s Status) bool { return s.AttachedDrives() == 3 && !s.anyInUse() })
	cards, says := hardCards(t)
	var trees []Tree
	digests := map[string]string{}
	for label, tree := range cards {
		image := testbed.MakeImage(t, testbed.Ext4, 16*testbed.MiB, label, tree.dir)
		digests[label] = testbed.Digest(t, image)
		trees = append(trees, tree)
		disks = append(disks, testbed.USBDisk{ID: label, Image: image, Options: testbed.USBOptions{Removable: true}})
	}
	b.PlugUSBs(disks[3:]...)
	// The guest's own: no other program is to read a card that has no end.
	disks = append(disks, testbed.USBDisk{ID: "SKUA_LOOP", Image: cardWithLoop(t), Options: testbed.USBOptions{Removable: true}})
	b.Guest.PlugUSBs(disks[len(disks)-1])
	s := b.Until("all are decided", func(s Status) bool {
		return len(s.Cards) == len(cards)+1 && s.settled()
	})
	for _, c := range s.Cards {
		if want := map[bool]string{true: "hold", false: "release"}[c.Label == "SKUA_LOOP"]; c.Verdict != want {
			t.Errorf("%s: %s: %s", c.Label, c.Verdict, c.Reason)
		}
	}
	for label, words := range says {
		if why := s.refusal(label, "SKERRY_X"); !strings.Contains(why, words) || !strings.Contains(why, "refused") {
			t.Errorf("%s: the exFAT drive says %q, want %q", label, why, words)
		}
	}
	for _, d := range disks {
		b.UnplugUSB(d.ID)
		if digest := digests[d.ID]; digest != "" && testbed.Digest(t, d.Image) != digest {
			t.Errorf("%s was written", d.ID)
		}
	}
	b.tooLarge()
	for _, image := range ext4 {
		Extract(t, testbed.Ext4, image).MustHoldEach(t, trees...)
	}
	if e := Extract(t, testbed.ExFAT, exfat); len(e.copies(t, func(name string) bool { return !strings.Contains(name, "SKUA_LOOP") })) > 0 {
		t.Error("something of what was refused stands on the exFAT drive")
	}
}

// hardCards are cards with names that exFAT does not have, or not both at once,
// and what is said of each.
func hardCards(t *testing.T) (trees map[string]Tree, says map[string]string) {
	t.Helper()
	trees = map[string]Tree{}
	says = map[string]string{"SKUA_CASE": "cannot tell", "SKUA_FOLDER": "cannot tell", "SKUA_SIGN": "14:31.jpg", "SKUA_DOT": "ends with a dot"}
	for label, names := range map[string][]string{
		"SKUA_CASE":   {"DCIM/skua0001.jpg", "DCIM/SKUA0001.JPG"},
		"SKUA_FOLDER": {"DCIM/100skuas/a.jpg", "DCIM/100SKUAS/b.jpg"},
		"SKUA_SIGN":   {"DCIM/14:31.jpg"},
		"SKUA_DOT":    {"DCIM/ends with a dot."},
	} {
		trees[label] = Tree{t.TempDir()}
		for i, name := range names {
			trees[label].Add(t, name, label, 3000+i)
		}
	}
	return trees, says
}

// tooLarge brings a file of 4 GiB, most of it a hole, to a FAT32 drive.
func (b *Box) tooLarge() {
	b.t.Helper()
	tree := Tree{b.t.TempDir()}
	tree.Add(b.t, "DCIM/SKUA0001.JPG", "small", 5000)
	tree.Add(b.t, "DCIM/CLIP0001.MOV", "large", 5000)
	if err := os.Truncate(filepath.Join(tree.dir, "DCIM/CLIP0001.MOV"), 4<<30); err != nil {
		b.t.Fatal(err)
	}
	card := testbed.MakeImage(b.t, testbed.Ext4, 32*testbed.MiB, "SKUA_LARGE", tree.dir)
	fat := testbed.MakeImage(b.t, testbed.FAT32, 64*testbed.MiB, "SKERRY_F", "")
	b.Guest.PlugUSBs(testbed.USBDisk{ID: "fat", Image: fat}, testbed.USBDisk{ID: "card", Image: card, Options: testbed.USBOptions{Removable: true}})
	s := b.Until("the FAT drive has its say", func(s Status) bool {
		return len(s.Cards) == 1 && s.refusal("SKUA_LARGE", "SKERRY_F") != "" && s.settled()
	})
	why := s.refusal("SKUA_LARGE", "SKERRY_F")
	if s.Cards[0].Verdict != "hold" || !strings.Contains(why, "CLIP0001.MOV") || !strings.Contains(why, "holds no file above") {
		b.t.Errorf("the card's verdict is %s, and the FAT drive says %q", s.Cards[0].Verdict, why)
	}
	b.UnplugUSB("card")
	b.UnplugUSB("fat")
	if e := Extract(b.t, testbed.FAT32, fat); len(e.copies(b.t, func(string) bool { return true })) > 0 {
		b.t.Error("something of what was refused stands on the FAT drive")
	}
}

// refusal is what the newest offload of a card says of one drive.
func (s Status) refusal(label, drive string) string {
	for _, o := range s.Offloads {
		if o.CardLabel != label {
			continue
		}
		for _, c := range o.Copies {
			if c.DriveName == drive {
				return c.Phase + ": " + c.Reason
			}
		}
	}
	return ""
}

// cardWithLoop is a FAT whose folder leads back to the folder it lies in.
func cardWithLoop(t *testing.T) string {
	t.Helper()
	tree := NewTree(t, "loop", 3, 0, 0)
	card := testbed.MakeImage(t, testbed.FAT32, testbed.FAT32.SmallestBytes()+4*testbed.MiB, "SKUA_LOOP", tree.dir)
	data, err := os.ReadFile(card)
	if err != nil {
		t.Fatal(err)
	}
	above, below := shortEntry(t, data, "DCIM       "), shortEntry(t, data, "100SKUAS   ")
	// Bytes 20-21 and 26-27 of an entry are its first cluster (FAT specification).
	copy(data[below+20:below+22], data[above+20:above+22])
	copy(data[below+26:below+28], data[above+26:above+28])
	if err := os.WriteFile(card, data, 0o644); err != nil {
		t.Fatal(err)
	}
	return card
}

// shortEntry finds a folder's own entry in a FAT.
func shortEntry(t *testing.T, data []byte, name string) int {
	t.Helper()
	for at := 0; ; at++ {
		i := bytes.Index(data[at:], []byte(name))
		if i < 0 {
			t.Fatalf("no folder %q in the image", name)
		}
		if at += i; at%32 == 0 && data[at+11] == 0x10 {
			return at
		}
	}
}
