package stories

import (
	"encoding/json"
	"flag"
	"fmt"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

var capacityLies = flag.Int("lies", 20, "drives that lie about their capacity")

// lyingDrive makes /dev/mapper/lie: 14 MiB of a disk that claim to be 26, with
// the last 12 written over those before them (dm-linear, kernel documentation,
// admin-guide/device-mapper/linear.rst).
const lyingDrive = `set -e
size=$((14 * 2048)); extra=$((12 * 2048))
printf '0 %%d linear %[1]s 0\n%%d %%d linear %[1]s %%d\n' $size $size $extra $((size - extra)) | dmsetup create lie
udevadm settle -t 30
%[2]s /dev/mapper/lie >/dev/null 2>&1
mkdir -p /run/lie && mount -o noatime /dev/mapper/lie /run/lie`

// lieUndone lets the drive go, and counts the source's files that are not on it
// as they were: what the lie has done, seen by another program.
const lieUndone = `umount /run/lie
echo 3 >/proc/sys/vm/drop_caches
mount -o ro /dev/mapper/lie /run/lie 2>/dev/null && folder=$(echo /run/lie/20*/*) || folder=/nowhere
harmed=0
for f in $(cd /run/source && find . -type f); do cmp -s /run/source/$f $folder/$f || harmed=$((harmed + 1)); done
umount /run/lie 2>/dev/null || true
dmsetup remove --retry lie
echo $harmed`

// A drive that has less than it says takes everything and gives each file back
// rightly just after it was written; what comes later goes over it. It is found
// out before a card could be released, every time.
func TestStory_capacityIsALie(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	disk := testbed.MakeImage(t, testbed.FAT32, testbed.FAT32.SmallestBytes(), "NOLABEL", "")
	good := testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, "SKERRY_A", "")
	g := testbed.Start(t, testbed.Options{})
	g.CopyIn(daemonBinary(t), "/usr/bin/bothy")
	g.PlugUSB("disk", disk, testbed.USBOptions{})
	g.PlugUSB("good", good, testbed.USBOptions{})
	g.MustRun("modprobe dm-mod && chmod 755 /usr/bin/bothy && mkdir -p /run/good && mount " + g.Node("good") + " /run/good")
	makers := []string{"mkfs.exfat", "mkfs.vfat", "mkfs.ext4 -F -q -m 0 -O ^has_journal"}
	how := map[string]int{}
	for round := range *capacityLies {
		// Some 16 MiB: more than there is, less than is claimed.
		g.MustRun(fmt.Sprintf(`rm -rf /run/source && mkdir -p /run/source/DCIM && cd /run/source/DCIM
			for i in $(seq 10 %d); do head -c $((%d * i + i * 77)) /dev/urandom >SKUA00$i.JPG; done`, 21+round/3%3, (90-4*(round/3%3))<<10))
		g.MustRun(fmt.Sprintf(lyingDrive, g.Node("disk"), makers[round%len(makers)]))
		res := g.Run("bothy copy /run/source --to /run/lie --to /run/good --json")
		harmed := strings.TrimSpace(g.MustRun(lieUndone))
		g.MustRun("rm -rf /run/good/20*")
		var end struct {
			Verdict string
			Copies  []struct{ State, Reason string }
		}
		if err := json.Unmarshal([]byte(res.Stdout), &end); err != nil || len(end.Copies) != 2 {
			t.Fatalf("round %d: exit %d: %s%s", round, res.Exit, res.Stdout, res.Stderr)
		}
		t.Logf("round %d, %s: %s files harmed; %s: %s", round, makers[round%len(makers)], harmed, end.Copies[0].State, end.Copies[0].Reason)
		if harmed == "0" {
			t.Fatalf("round %d: the lie did no harm, so this shows nothing", round)
		}
		if end.Verdict != "hold" || res.Exit != 1 || end.Copies[0].State == "proven" {
			t.Errorf("round %d: %s files are not what they were, and the copy is %s, the verdict %s", round, harmed, end.Copies[0].State, end.Verdict)
		}
		if end.Copies[1].State != "proven" {
			t.Errorf("round %d: the honest drive's copy is %s: %s", round, end.Copies[1].State, end.Copies[1].Reason)
		}
		switch reason := end.Copies[0].Reason; {
		case strings.Contains(reason, "second look"):
			how["by the second look"]++
		case end.Copies[0].State == "refused":
			t.Fatalf("round %d: it was not written to, so this shows nothing", round)
		case strings.Contains(reason, "read back"):
			how["by reading back"]++
		default:
			how["by the file system's own trouble"]++
		}
	}
	t.Logf("%d of %d found before a release: %v", *capacityLies, *capacityLies, how)
}
