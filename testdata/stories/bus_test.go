package stories

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// crawl is how fast a card is read, in bytes per second, while something is done
// to the box in mid-copy: a clip in 16 s, so that no busy machine misses the moment.
// Clips there have 4 MiB or more. Smaller ones are flushed, and proven, together.
const crawl = 260_000

// usbDriver binds or unbinds a USB device or interface, as a loose plug or a hub
// without power does.
func (b *Box) usbDriver(driver, what, name string) {
	b.t.Helper()
	b.MustRun(fmt.Sprintf("echo %s >/sys/bus/usb/drivers/%s/%s", name, driver, what))
}

// usbName is what the kernel calls the USB device below a disk: "1-1.3".
func (b *Box) usbName(id string) string {
	b.t.Helper()
	at := strings.TrimSpace(b.MustRun("readlink -f /sys/block/" + filepath.Base(b.Node(id)) + "/device"))
	name := ""
	for _, part := range strings.Split(at, "/") {
		if strings.Contains(part, "-") && !strings.Contains(part, ":") && strings.Trim(part, "0123456789-.") == "" {
			name = part // the last is the disk's own
		}
	}
	if name == "" {
		b.t.Fatalf("no USB device in %s", at)
	}
	return name
}

// A hub drops the card and both drives at once in mid-copy: all is unfinished,
// the box says so and claims nothing, and when the hub is back all of it goes on
// to the end. Then one drive's plug is loose: it comes and goes, each time under
// another name, and is the same drive all along.
func TestStory_hubAndLoosePlug(t *testing.T) {
	inTurn(t, 0)
	t.Parallel()
	first, second := NewTree(t, "hub", 0, 6, 4), NewTree(t, "loose", 0, 6, 4)
	cardA := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_H1", first.dir)
	cardB := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_H2", second.dir)
	driveA := testbed.MakeImage(t, testbed.ExFAT, 96*testbed.MiB, "SKERRY_A", "")
	driveB := testbed.MakeImage(t, testbed.Ext4, 96*testbed.MiB, "SKERRY_B", "")
	b := StartBox(t, besides, testbed.Options{Hub: true})
	slow := testbed.USBOptions{Removable: true, Port: "1.3", ReadBps: crawl, WriteBps: 1 << 20}
	b.PlugUSB("drive-a", driveA, testbed.USBOptions{Port: "1.1"})
	b.PlugUSB("drive-b", driveB, testbed.USBOptions{Port: "1.2"})
	b.PlugUSB("card-a", cardA, slow)
	b.inMidCopy(7)
	hub, _, _ := strings.Cut(b.usbName("card-a"), ".")
	b.usbDriver("usb", "unbind", hub)
	s := b.Until("all is gone, and said", func(s Status) bool {
		return len(s.Cards) == 0 && s.AttachedDrives() == 0 && s.HasCondition("card-gone") && !s.Offloads[0].Running
	})
	if s.Offloads[0].Verdict == "release" {
		t.Errorf("what a hub dropped was released: %+v", s.Offloads[0])
	}
	for _, c := range s.Offloads[0].Copies {
		if c.Phase == "proven" {
			t.Errorf("a copy that was interrupted is proven: %+v", c)
		}
	}
	b.usbDriver("usb", "bind", hub)
	b.Throttle("card-a", 16<<20, 1<<20)
	s = b.UntilDecided("SKUA_H1", "release")
	if len(s.Offloads) != 1 {
		t.Errorf("the card coming back began another offload: %+v", s.Offloads)
	}
	b.UnplugUSB("card-a")

	b.PlugUSB("card-b", cardB, slow)
	b.inMidCopy(7)
	plug, names := b.usbName("drive-b")+":1.0", map[string]bool{}
	for round := range 3 {
		node := b.Node("drive-b")
		names[node] = true
		// Whoever holds the old node keeps its name from being given again.
		b.MustRun(fmt.Sprintf("(exec 9<%s; exec sleep infinity) >/dev/null 2>&1 & echo $! >/run/holder-%d", node, round))
		b.usbDriver("usb-storage", "unbind", plug)
		b.Until("the drive is away", func(s Status) bool { return s.AttachedDrives() == 1 })
		b.usbDriver("usb-storage", "bind", plug)
		s = b.Until("the drive is back", func(s Status) bool { return s.AttachedDrives() == 2 })
	}
	if len(names) < 2 {
		t.Errorf("the node was never renamed, so this shows little: %v", names)
	}
	b.Throttle("card-b", 16<<20, 1<<20)
	s = b.UntilDecided("SKUA_H2", "release")
	b.MustRun("kill $(cat /run/holder-*)")
	seen := map[string]int{}
	for _, d := range s.Drives {
		seen[d.Name] += d.Copies
	}
	if len(seen) != 2 || seen["SKERRY_A"] != 2 || seen["SKERRY_B"] != 2 {
		t.Errorf("the drives and their copies: %v", seen)
	}
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card-b", "drive-a", "drive-b"} {
		b.UnplugUSB(id)
	}
	Extract(t, testbed.ExFAT, driveA).MustHoldEach(t, first, second)
	Extract(t, testbed.Ext4, driveB).MustHoldEach(t, first, second)
}
