package stories

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// A season on one box: a card comes back from the camera with the same names,
// sizes, times and identity, and other bytes; the clock falls back five years in
// mid-copy; a drive that said it had flushed forgets a finished copy; and an
// image of a drive is plugged in beside it.
func TestStory_season(t *testing.T) {
	t.Parallel()
	first, second := NewTree(t, "season-first", 2, 4, 4), NewTree(t, "season-second", 2, 4, 4)
	cardA := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_S1", first.dir)
	cardB := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_S2", second.dir)
	sameVolume(t, cardA, cardB)
	driveA := testbed.MakeImage(t, testbed.ExFAT, 64*testbed.MiB, "SKERRY_A", "")
	driveB := testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, "SKERRY_B", "")
	b := StartBox(t, besides, testbed.Options{})
	b.PlugUSB("drive-a", driveA, testbed.USBOptions{})
	b.PlugUSB("drive-b", driveB, testbed.USBOptions{})
	b.PlugUSB("card-a", cardA, testbed.USBOptions{Removable: true})
	s := b.UntilDecided("SKUA_S1", "release")
	oldest := s.Offloads[0].ID
	earlier := copyImage(t, driveB, "earlier")
	b.UnplugUSB("card-a")
	b.Until("the card is out", func(s Status) bool { return len(s.Cards) == 0 })

	b.PlugUSB("card-b", cardB, testbed.USBOptions{Removable: true, ReadBps: crawl, WriteBps: 1 << 20})
	b.inMidCopy(7)
	b.MustRun("date -s 2021-06-01")
	b.Throttle("card-b", 16<<20, 1<<20)
	s = b.UntilDecided("SKUA_S2", "release")
	if len(s.Offloads) != 2 || len(s.Offloads[0].RefersTo) != 0 {
		t.Fatalf("other bytes under the same names are no offload of their own: %+v", s.Offloads)
	}
	b.MustRun("systemctl restart bothy")
	s = b.UntilDecided("SKUA_S2", "release")
	if len(s.Offloads) < 2 || s.Offloads[len(s.Offloads)-1].ID != oldest || !s.HasCondition("clock-untrusted") {
		t.Errorf("the order of offloads hangs on the clock: %+v %+v", s.Offloads, s.Conditions)
	}
	b.mustCountUp(2)

	b.forget(driveB, earlier)
	b.clone(driveA)
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card-b", "drive-a", "drive-b", "clone"} {
		b.UnplugUSB(id)
	}
	Extract(t, testbed.ExFAT, driveA).MustHoldEach(t, first, second)
	Extract(t, testbed.Ext4, driveB).MustHoldEach(t, first, second)
}

// forget: the drive comes back without the copy that the card was released for.
func (b *Box) forget(drive, earlier string) {
	b.t.Helper()
	b.UnplugUSB("drive-b")
	b.Until("the drive is out", func(s Status) bool { return s.AttachedDrives() == 1 })
	overwrite(b.t, drive, earlier)
	b.PlugUSB("drive-b", drive, testbed.USBOptions{})
	s := b.Until("the lost copy is missed, and made again", func(s Status) bool {
		return s.HasCondition("copy-damaged") && s.AttachedDrives() == 2 && !s.Drives[0].InUse && !s.Drives[1].InUse &&
			len(s.Cards) == 1 && s.Cards[0].Phase == "decided" && s.Cards[0].Verdict == "release"
	})
	for _, d := range s.Drives {
		if d.Name == "SKERRY_B" && d.Copies != 2 {
			b.t.Errorf("the drive that forgot has %d copies", d.Copies)
		}
	}
}

// clone: an image of a drive is plugged in beside the drive, and refused.
func (b *Box) clone(drive string) {
	b.t.Helper()
	image := copyImage(b.t, drive, "clone")
	b.PlugUSB("clone", image, testbed.USBOptions{})
	s := b.Until("the clone is refused, and said", func(s Status) bool { return s.AttachedDrives() == 3 && s.HasCondition("drive-cloned") })
	refused := ""
	for _, d := range s.Drives {
		if d.Refused && strings.Contains(d.Reason, "the same identity as SKERRY_A") {
			refused += "/dev/" + d.Device
		}
	}
	if refused != b.Node("clone") {
		b.t.Errorf("it was not the second that was refused: %+v", s.Drives)
	}
	if n := b.WritesTo(image); n != 0 {
		b.t.Errorf("%d writes to the clone", n)
	}
}

// mustCountUp reads the box's ledger with another program: sequence numbers go
// up, and the clock that is written beside them does not.
func (b *Box) mustCountUp(offloads int) {
	b.t.Helper()
	dir := b.t.TempDir()
	b.MustRun("systemctl stop bothy && cd /var/lib/bothy && for f in ledger.db*; do cp $f /run/copy-$f; done; systemctl start bothy")
	for _, name := range strings.Fields(b.MustRun("cd /run && ls -d copy-ledger.db*")) {
		b.CopyOut("/run/"+name, filepath.Join(dir, strings.TrimPrefix(name, "copy-")))
	}
	out, err := exec.Command("sqlite3", filepath.Join(dir, "ledger.db"), "SELECT seq || ' ' || ended_wall FROM offloads ORDER BY seq").CombinedOutput()
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if err != nil || len(lines) != offloads {
		b.t.Fatalf("the ledger's offloads: %v\n%s", err, out)
	}
	b.t.Logf("seq and wall clock in the ledger: %q", lines)
	last, _, _ := strings.Cut(lines[len(lines)-1], " ")
	_, early, _ := strings.Cut(lines[0], " ")
	_, late, _ := strings.Cut(lines[len(lines)-1], " ")
	if n, err := strconv.Atoi(last); err != nil || n != offloads || late >= early {
		b.t.Errorf("the clock did not go back, or the sequence did: %q", lines)
	}
}

// sameVolume gives the second FAT32 image the first one's volume id, in the boot
// sector and its backup (Microsoft, FAT32 File System Specification: BS_VolID).
func sameVolume(t *testing.T, first, second string) {
	t.Helper()
	data, err := os.ReadFile(first)
	if err != nil {
		t.Fatal(err)
	}
	const volumeID, backup = 67, 6 * 512
	for _, at := range []int64{volumeID, backup + volumeID} {
		if err := testbed.MutateImage(second, at, data[volumeID:volumeID+4]); err != nil {
			t.Fatal(err)
		}
	}
}

func copyImage(t *testing.T, image, name string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), name+".img")
	overwrite(t, to, image)
	return to
}

func overwrite(t *testing.T, image, from string) {
	t.Helper()
	if out, err := exec.Command("cp", "--sparse=always", from, image).CombinedOutput(); err != nil {
		t.Fatalf("copy an image: %v\n%s", err, out)
	}
}
