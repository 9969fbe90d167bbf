package stories

import (
	"flag"
	"fmt"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

var plugCycles = flag.Int("cycles", 10, "times that a card and a drive are plugged in and pulled")

// toll is what the daemon holds of the system. The ledger's files are counted apart:
// it opens another connection when more is asked of it at once than ever before, up to a
// number that it says, and keeps that.
type toll struct{ descriptors, ledger, mounts, threads, residentKiB, loops, folders int }

// maxLedger is how many descriptors that can be: two for each of four connections that
// read and one that writes, and one for what they share.
const maxLedger = 2*(4+1) + 1

// toll is asked of the kernel, in the guest.
func (b *Box) toll() (l toll) {
	b.t.Helper()
	out := b.MustRun(`p=$(systemctl show -P MainPID bothy)
		l=$(ls -l /proc/$p/fd | grep -c /ledger.db)
		echo $(($(ls /proc/$p/fd | wc -l) - l)) $l $(wc -l </proc/$p/mounts) $(awk '/^Threads/ {print $2}' /proc/$p/status) \
			$(awk '/^VmRSS/ {print $2}' /proc/$p/status) $(ls -d /sys/block/loop*/loop 2>/dev/null | wc -l) $(ls /run/bothy/mounts 2>/dev/null | wc -l)`)
	if _, err := fmt.Sscan(out, &l.descriptors, &l.ledger, &l.mounts, &l.threads, &l.residentKiB, &l.loops, &l.folders); err != nil {
		b.t.Fatalf("count what the daemon holds: %v: %s", err, out)
	}
	return l
}

// A card and a drive come and go: after as many times as one likes, the daemon
// holds no more descriptors, mounts, loop devices and folders than after the
// first, and no thread and no memory to speak of.
func TestStory_pluggedAndPulled(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	t.Cleanup(func() { logCost(t) }) // when the guest is gone, and so counted
	tree := NewTree(t, "cycles", 2, 0, 0)
	card := testbed.MakeImage(t, testbed.FAT32, 36*testbed.MiB, "SKUA_T1", tree.dir)
	drives := []string{
		testbed.MakeImage(t, testbed.ExFAT, 32*testbed.MiB, "SKERRY_A", ""),
		testbed.MakeImage(t, testbed.Ext4, 32*testbed.MiB, "SKERRY_B", ""),
	}
	b := StartBox(t, policyText, testbed.Options{})
	b.MustRun("echo 0 >/sys/module/usb_storage/parameters/delay_use 2>/dev/null || true")
	b.PlugUSB("stays", drives[1], testbed.USBOptions{})
	var first toll
	var course strings.Builder
	for n := range *plugCycles + 1 {
		b.PlugUSBs(testbed.USBDisk{ID: "comes", Image: drives[0]},
			testbed.USBDisk{ID: "card", Image: card, Options: testbed.USBOptions{Removable: true}})
		b.UntilDecided("SKUA_T1", "release")
		b.UnplugUSB("card")
		b.UnplugUSB("comes")
		b.Until("both are out", func(s Status) bool {
			for _, d := range s.Drives {
				if d.InUse || d.Attached != (d.Name == "SKERRY_B") {
					return false
				}
			}
			return len(s.Cards) == 0
		})
		now := b.toll()
		if fmt.Fprintf(&course, "%d:%+v ", n, now); n == 0 {
			first = now // the first offload opens what stays open
			continue
		}
		if now.descriptors > first.descriptors+2 || now.ledger > maxLedger || now.mounts > first.mounts || now.loops > first.loops || now.folders > first.folders {
			t.Errorf("after %d times: %+v, after the first: %+v", n, now, first)
		}
		if now.threads > first.threads+6 || now.residentKiB > first.residentKiB*3/2 {
			t.Errorf("after %d times: %+v, after the first: %+v", n, now, first)
		}
	}
	t.Logf("%d times: %s", *plugCycles, &course)
}
