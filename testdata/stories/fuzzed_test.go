package stories

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

var (
	fuzzedImages = flag.Int("fuzzed-images", 1, "damaged cards, and damaged drives, of each file system")
	fuzzedFirst  = flag.Uint64("fuzzed-first", 1, "number of the first damaged image; from each number the same damage comes")
)

// fuzzedPolicy tells cards and drives by the disk's serial: a damaged file system
// may have any label, or none.
const fuzzedPolicy = `[box]
name   = "skerry-2"
copies = 2

[[card]]
name   = "stills"
serial = "CARD-*"

[[drive]]
name    = "bay"
serial  = "DRIVE-*"
reserve = "1MB"
`

// fuzzedMedium is a file system with damage of its own.
type fuzzedMedium struct {
	fs     testbed.FS
	number uint64
	drive  bool
}

type soundDrive struct {
	fs        testbed.FS
	id, image string
}

// File systems whose own sectors were damaged, as cards and as drives. No card
// is written to: nothing is repaired. The daemon lives on, everything is decided
// in bounded time, sound drives get whole copies, and a sound card is released
// beside all that.
//
// The story judges by itself: nobody can say what a damaged card holds.
//
// A kernel that panics on such an image ends the guest and the test; its console
// says so. That is no fault of the daemon's, and the image's number is told.
func TestStory_damagedFileSystems(t *testing.T) {
	inTurn(t, 0)
	t.Parallel()
	b := &Box{t: t}
	b.begin(fuzzedPolicy, testbed.Options{MemoryMiB: 768})
	pid := b.daemonPID()
	tree := Tree{t.TempDir()}
	for i := range 3 {
		tree.AddMarked(t, fmt.Sprintf("DCIM/100SKUAS/SKUA%04d.JPG", i+1), 60+i)
	}
	tree.AddMarked(t, "DCIM/101SKUAS/CLIP0001.MOV", 400)
	drives := []soundDrive{{fs: testbed.Ext4, id: "DRIVE-A"}, {fs: testbed.ExFAT, id: "DRIVE-B"}}
	for i := range drives {
		d := &drives[i]
		d.image = testbed.MakeImage(t, d.fs, 128*testbed.MiB, fmt.Sprintf("SKERRY_%d", i), "")
		b.Guest.PlugUSB(d.id, d.image, testbed.USBOptions{})
	}
	var sound []string
	for round := range 2 * *fuzzedImages {
		label := fmt.Sprintf("SOUND_%03d", round)
		var media []fuzzedMedium
		for i, fs := range []testbed.FS{testbed.FAT32, testbed.ExFAT, testbed.Ext4, testbed.XFS, testbed.Btrfs, testbed.NTFS} {
			media = append(media, fuzzedMedium{fs: fs, number: *fuzzedFirst + uint64(round/2*6+i), drive: round%2 == 1})
		}
		b.damagedMedia(media, label, tree)
		sound = append(sound, label)
		if now := b.daemonPID(); now != pid {
			t.Fatalf("the daemon is another process (%s, was %s)", now, pid)
		}
	}
	b.logKernel()
	b.MustRun("systemctl stop bothy")
	for _, d := range drives {
		b.UnplugUSB(d.id)
		d.mustHold(t, tree, sound)
	}
}

// mustHold holds a sound drive against what was plugged in beside it: each sound
// card has a copy, and no finished copy differs. Those of damaged cards are held
// to that when their file system has checksums of its own sectors, and would have
// noticed; of the others nobody can say what is left on the card.
func (d soundDrive) mustHold(t *testing.T, tree Tree, sound []string) {
	t.Helper()
	held := map[string]int{}
	for _, copy := range Extract(t, d.fs, d.image).Finished(t) {
		MustValidate(t, copy)
		for _, label := range append([]string{"BAD_EXT4", "BAD_XFS", "BAD_BTRFS"}, sound...) {
			if strings.Contains(filepath.Base(copy), label) {
				held[label]++
				tree.MustEqual(t, copy)
			}
		}
	}
	for _, label := range sound {
		if held[label] != 1 {
			t.Errorf("%s has %d copies of the sound card %s", d.id, held[label], label)
		}
	}
	t.Logf("%s holds whole copies of %v", d.id, held)
}

// damagedMedia plugs in damaged cards, or drives, and a sound card among them.
func (b *Box) damagedMedia(media []fuzzedMedium, sound string, tree Tree) {
	b.t.Helper()
	soundCard := testbed.MakeImage(b.t, testbed.FAT32, testbed.FAT32.SmallestBytes()+4*testbed.MiB, sound, tree.dir)
	disks := []testbed.USBDisk{{ID: "CARD-sound", Image: soundCard, Options: testbed.USBOptions{Removable: true}}}
	digests := map[string]string{soundCard: testbed.Digest(b.t, soundCard)}
	for _, m := range media {
		if m.drive {
			disks = append(disks, testbed.USBDisk{ID: fmt.Sprintf("DRIVE-%s-%d", m.fs, m.number), Image: m.make(b.t, "DRIVE_BAD", "")})
			continue
		}
		card := m.make(b.t, "BAD_"+strings.ToUpper(string(m.fs)), tree.dir)
		digests[card] = testbed.Digest(b.t, card)
		disks = append(disks, testbed.USBDisk{ID: fmt.Sprintf("CARD-%s-%d", m.fs, m.number), Image: card, Options: testbed.USBOptions{Removable: true}})
	}
	b.Guest.PlugUSBs(disks...)
	b.UntilDecided(sound, "release")
	s := b.untilSettled(len(disks) + 2)
	for _, c := range s.Cards {
		b.t.Logf("card %s %s: %s: %.200s", c.Device, c.Label, c.Verdict, c.Reason)
	}
	for _, d := range s.Drives {
		if d.Attached {
			b.t.Logf("drive %s %s: refused %v, failing %v: %.200s", d.Device, d.Name, d.Refused, d.Failing, d.Reason)
		}
	}
	for _, d := range disks {
		b.UnplugUSB(d.ID)
	}
	b.Until("all is out", func(s Status) bool { return len(s.Cards) == 0 && s.AttachedDrives() == 2 })
	for image, digest := range digests {
		if n := b.WritesTo(image); n != 0 || testbed.Digest(b.t, image) != digest {
			b.t.Errorf("%d writes were sent to %s", n, filepath.Base(image))
		}
	}
	for _, d := range disks {
		os.Remove(d.Image)
	}
}

// make gives an image with damage of its own.
func (m fuzzedMedium) make(t *testing.T, label, from string) string {
	t.Helper()
	image := testbed.MakeImage(t, m.fs, m.fs.SmallestBytes()+8*testbed.MiB, label, from)
	said, err := spoil(image, m.number)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%s %s number %d: %s", label, m.fs, m.number, said)
	return image
}

// untilSettled waits until that many disks are known and nothing is under way.
func (b *Box) untilSettled(disks int) Status {
	b.t.Helper()
	return b.Until(fmt.Sprintf("%d disks are decided about", disks), func(s Status) bool {
		seen := map[string]bool{}
		for _, d := range s.Devices {
			if strings.HasPrefix(d.Disk, "sd") && d.Decision != "" {
				seen[d.Disk] = true
			}
		}
		return len(seen) >= disks && s.settled()
	})
}

// logKernel tells what the kernel said of itself, for the record.
func (b *Box) logKernel() {
	b.t.Helper()
	said := b.Run(`dmesg | grep -E 'BUG|Oops|WARNING|UBSAN|blocked for more' | head -20`).Stdout
	if said != "" {
		b.t.Logf("the kernel, of its own faults:\n%s", said)
	}
}
