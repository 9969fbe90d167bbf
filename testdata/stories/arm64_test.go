package stories

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// The boards that the package is for, emulated: one with a processor of the least kind
// that Debian's arm64 runs on, and one whose kernel has pages of 16 KiB. What was built
// on another machine is installed by apt(8); a card is off-loaded to two drives and
// released; lights, page, status and metrics say so. The drives are judged on this
// machine, by its programs and the original bytes, as in every story.
func TestStory_arm64(t *testing.T) {
	onABoard(t)
	// Atomics came with version 8.1 of the architecture (arm64/elf_hwcaps.rst of the kernel).
	for _, board := range []struct{ arch, pageBytes, atomics string }{{"arm64", "4096", "0"}, {"arm64-16k", "16384", "1"}} {
		t.Run(board.arch, func(t *testing.T) {
			b := StartBare(t, policyText, testbed.Options{Arch: board.arch})
			is := b.MustRun("uname -m; getconf PAGESIZE; grep -cwm 1 atomics /proc/cpuinfo; true")
			if want := "aarch64\n" + board.pageBytes + "\n" + board.atomics + "\n"; is != want {
				t.Fatalf("the board is %q, want %q", is, want)
			}
			b.offloadsOnABoard()
		})
	}
}

func (b *Box) offloadsOnABoard() {
	t := b.t
	t.Helper()
	tree := NewTree(t, "board", 6, 3, 4)
	card := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_R1", tree.dir)
	a, c := testbed.MakeImage(t, testbed.ExFAT, 64*testbed.MiB, "SKERRY_A", ""), testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, "SKERRY_B", "")

	b.CopyIn(testbed.BuildPackage(t, "arm64"), "/root/bothy.deb")
	t.Logf("apt says:\n%s", b.MustRun("DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends /root/bothy.deb 2>&1"))
	b.witness = b.Witness(nil)
	b.WritePolicy(policyText)
	b.MustRun("bothy check-policy /etc/bothy/policy.toml && systemctl reload bothy")
	b.UntilLight(boxLED, "steady")
	b.UntilLight(cardLED, "off")
	b.PlugUSBs(testbed.USBDisk{ID: "a", Image: a}, testbed.USBDisk{ID: "c", Image: c})
	b.UntilLight(driveLED, "steady")
	b.PlugUSB("card", card, testbed.USBOptions{Removable: true, ReadBps: crawl, WriteBps: 1 << 20})
	b.UntilLight(cardLED, "slow")
	b.UntilDecided("SKUA_R1", "release")
	b.UntilLight(cardLED, "steady")
	b.UntilLight(driveLED, "steady")
	b.MustAgree(1)
	if out := b.MustRun("bothy status"); !strings.Contains(out, "SKUA_R1") || !strings.Contains(out, "release") {
		t.Errorf("bothy status says of the released card:\n%s", out)
	}
	b.endWitness()
	b.MustRun("systemctl stop bothy")

	// xxhsum(1) judges what is vector code of this architecture.
	b.MustRun("mount -o ro " + b.Node("card") + " /mnt")
	for _, checksum := range []string{"xxh128", "xxh64"} {
		tree.mustBe(t, b.copyByHand("/mnt", checksum))
	}
	b.MustRun("umount /mnt")
	for _, id := range []string{"a", "c", "card"} {
		b.UnplugUSB(id)
	}
	if b.WritesTo(a) == 0 {
		t.Error("no writes to a drive were counted, so the card's count of none shows nothing")
	}
	Extract(t, testbed.ExFAT, a).MustHoldOnly(t, tree)
	Extract(t, testbed.Ext4, c).MustHoldOnly(t, tree)
}

// copyByHand has a folder of the guest copied to the guest's own disk, and returns where
// that copy is on this machine.
func (b *Box) copyByHand(from, checksum string) string {
	b.t.Helper()
	to := "/var/tmp/" + checksum
	b.MustRun("mkdir " + to + " && bothy copy " + from + " --to " + to + " --checksum " + checksum +
		" && tar -C $(dirname $(find " + to + " -name ascmhl)) -cf " + to + ".tar .")
	here := b.t.TempDir()
	b.CopyOut(to+".tar", here+".tar")
	if out, err := exec.Command("tar", "-C", here, "-xf", here+".tar").CombinedOutput(); err != nil {
		b.t.Fatalf("tar: %v\n%s", err, out)
	}
	manifests, err := filepath.Glob(filepath.Join(here, "ascmhl", "*.mhl"))
	if err != nil || len(manifests) != 1 {
		b.t.Fatalf("the copy by hand has the manifests %q: %v", manifests, err)
	}
	if text, err := os.ReadFile(manifests[0]); err != nil || !strings.Contains(string(text), "<"+checksum+" ") {
		b.t.Fatalf("the manifest has no %s: %v", checksum, err)
	}
	return here
}
