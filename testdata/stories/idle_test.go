package stories

import (
	"fmt"
	"testing"
	"time"

	"bothy/testdata/testbed"
)

// usage is what the daemon has used so far, by the kernel's count.
type usage struct{ ticks, writtenBytes, residentKiB int64 }

func (b *Box) usage() (u usage) {
	b.t.Helper()
	out := b.MustRun(`p=$(systemctl show -P MainPID bothy)
		echo $(awk '{print $14 + $15}' /proc/$p/stat) $(awk '/^write_bytes/ {print $2}' /proc/$p/io) $(awk '/^VmRSS/ {print $2}' /proc/$p/status)`)
	if _, err := fmt.Sscan(out, &u.ticks, &u.writtenBytes, &u.residentKiB); err != nil {
		b.t.Fatalf("count what the daemon uses: %v: %s", err, out)
	}
	return u
}

// A box that has nothing to do writes nothing, to its boot medium or anywhere: such
// media wear out, and a box may wait for weeks. What it uses of the processor is told
// and not judged: an emulated one is many times slower than a real one.
func TestStory_idleBoxWritesNothing(t *testing.T) {
	inTurn(t, 0)
	t.Parallel()
	span := time.Minute
	if *longFlag {
		span = 10 * time.Minute
	}
	tree := NewTree(t, "idle", 2, 1, 0)
	card := testbed.MakeImage(t, testbed.FAT32, 36*testbed.MiB, "SKUA_I1", tree.dir)
	a, c := testbed.MakeImage(t, testbed.ExFAT, 36*testbed.MiB, "SKERRY_A", ""), testbed.MakeImage(t, testbed.Ext4, 36*testbed.MiB, "SKERRY_B", "")
	b := StartBox(t, policyText, testbed.Options{})
	b.PlugUSBs(testbed.USBDisk{ID: "a", Image: a}, testbed.USBDisk{ID: "c", Image: c},
		testbed.USBDisk{ID: "card", Image: card, Options: testbed.USBOptions{Removable: true}})
	b.UntilDecided("SKUA_I1", "release")
	b.Until("nothing is in use", func(s Status) bool {
		for _, d := range s.Drives {
			if d.InUse {
				return false
			}
		}
		return true
	})
	b.endWitness() // nobody asks
	writes := b.WritesTo(a) + b.WritesTo(c)
	before := b.usage()
	if before.writtenBytes == 0 {
		t.Error("the kernel has counted no byte written by a copy to two drives, so its count of none shows nothing")
	}
	files := b.MustRun("find /var/lib/bothy /run/bothy -printf '%p %s %T@\n' | sort")
	b.RunFor(span+testbedSlack, "sleep", fmt.Sprint(int(span.Seconds())))
	after := b.usage()
	if n := after.writtenBytes - before.writtenBytes; n != 0 {
		t.Errorf("in %v it wrote %d bytes", span, n)
	}
	if n := b.WritesTo(a) + b.WritesTo(c) - writes; n != 0 {
		t.Errorf("in %v %d requests to write drives were sent", span, n)
	}
	if now := b.MustRun("find /var/lib/bothy /run/bothy -printf '%p %s %T@\n' | sort"); now != files {
		t.Errorf("its files before:\n%safter:\n%s", files, now)
	}
	const mostKiB = 40 << 10
	if after.residentKiB > mostKiB {
		t.Errorf("it keeps %d KiB, more than %d", after.residentKiB, mostKiB)
	}
	t.Logf("in %v: %d ticks of 10 ms of an emulated processor, %d KiB resident", span, after.ticks-before.ticks, after.residentKiB)
}

// testbedSlack is for a guest that is slow to answer.
const testbedSlack = time.Minute
