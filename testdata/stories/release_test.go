package stories

import (
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// light tells a pattern from what sysfs shows.
func light(l testbed.LED) string {
	switch {
	case l.Trigger == "timer" && l.DelayOn == "250" && l.DelayOff == "250":
		return "fast"
	case l.Trigger == "timer" && l.DelayOn == "1000" && l.DelayOff == "1000":
		return "slow"
	case l.Trigger == "pattern" && strings.Contains(l.Pattern, "250"):
		return "fast"
	case l.Trigger == "pattern" && strings.Contains(l.Pattern, "1000"):
		return "slow"
	case l.Trigger == "none" && l.Brightness != "0":
		return "steady"
	case l.Trigger == "none":
		return "off"
	}
	return l.String()
}

// UntilLight waits until an LED shows a pattern.
func (b *Box) UntilLight(led, pattern string) {
	b.t.Helper()
	b.WaitFor(led+" shows "+pattern, patience, func() (bool, string) {
		l := b.LED(led)
		return light(l) == pattern, l.String()
	})
}

// A FAT32 card with a DCF tree and clips goes in before any drive: it is held,
// and still is with one drive, and is released with the second. Then another
// card goes in when the drives are there. Lights, page, metrics and images
// agree, and the cards' images have not changed by a bit.
func TestStory_cardBeforeDrivesThenAfter(t *testing.T) {
	t.Parallel()
	first, second := NewTree(t, "first", 4, 2, 3), NewTree(t, "second", 3, 1, 2)
	cardA := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_A003", first.dir)
	cardB := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_A004", second.dir)
	driveA := testbed.MakeImage(t, testbed.ExFAT, 64*testbed.MiB, "SKERRY_A", "")
	driveB := testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, "SKERRY_B", "")
	digestA, digestB := testbed.Digest(t, cardA), testbed.Digest(t, cardB)

	b := StartBox(t, policyText, testbed.Options{})
	b.UntilLight(boxLED, "steady")
	b.UntilLight(cardLED, "off")
	b.UntilLight(driveLED, "off")

	b.PlugUSB("card-a", cardA, testbed.USBOptions{Removable: true, Port: "1"})
	b.UntilReason("SKUA_A003", "needs 2 more drives")
	b.UntilLight(cardLED, "fast")
	b.followsTheRules("card-a")

	b.PlugUSB("drive-a", driveA, testbed.USBOptions{Port: "2", WriteBps: 2 << 20, ReadBps: 8 << 20})
	b.UntilLight(cardLED, "slow")
	b.UntilLight(driveLED, "slow")
	b.UntilReason("SKUA_A003", "needs 1 more drive")
	b.UntilLight(cardLED, "fast")
	b.UntilLight(driveLED, "steady")

	b.PlugUSB("drive-b", driveB, testbed.USBOptions{Port: "3"})
	b.UntilDecided("SKUA_A003", "release")
	b.UntilLight(cardLED, "steady")
	b.UntilLight(driveLED, "steady")

	b.UnplugUSB("card-a")
	b.UntilLight(cardLED, "off")
	b.PlugUSB("card-b", cardB, testbed.USBOptions{Removable: true, Port: "1"})
	b.UntilDecided("SKUA_A004", "release")
	b.UntilLight(cardLED, "steady")
	b.MustAgree(2)

	b.MustRun("systemctl stop bothy")
	b.UnplugUSB("card-b")
	b.UnplugUSB("drive-a")
	b.UnplugUSB("drive-b")
	if b.WritesTo(driveA) == 0 {
		t.Error("no writes to a drive were counted, so the cards' count of none shows nothing")
	}
	if testbed.Digest(t, cardA) != digestA || testbed.Digest(t, cardB) != digestB {
		t.Error("a card was written")
	}
	Extract(t, testbed.ExFAT, driveA).MustHoldOnly(t, first, second)
	Extract(t, testbed.Ext4, driveB).MustHoldOnly(t, first, second)
}

// MustAgree holds the metrics against the status.
func (b *Box) MustAgree(releases int) {
	b.t.Helper()
	reply, ok, reason := b.HTTPGet("/metrics")
	if !ok || reply.Status != 200 {
		b.t.Fatalf("no metrics: %s %d", reason, reply.Status)
	}
	text := string(reply.Body)
	for _, line := range []string{
		"bothy_releases_total " + string(rune('0'+releases)),
		"bothy_copies_failed_total 0",
		"bothy_read_back_mismatches_total 0",
		"bothy_flush_failures_total 0",
	} {
		if !strings.Contains(text, "\n"+line+"\n") {
			b.t.Errorf("the metrics do not say %q", line)
		}
	}
	page, ok, reason := b.HTTPGet("/")
	if !ok || !strings.Contains(strings.ToLower(string(page.Body)), "release") {
		b.t.Errorf("the page does not say that the card is released: %s", reason)
	}
}

// followsTheRules checks what the shipped udev rules say of a medium, as the real udev
// took them: no desktop mounts it unasked (UDISKS_AUTO, see udisks(8)), the medium of a
// drive bay that stays is asked for every second, and the system's own disk is as it was.
func (b *Box) followsTheRules(id string) {
	b.t.Helper()
	node := b.Node(id)
	if told := b.MustRun("udevadm info --query=property " + node); !strings.Contains(told, "\nUDISKS_AUTO=0\n") || !strings.Contains(told, "\nID_FS_USAGE=filesystem\n") {
		b.t.Errorf("of the card udev knows:\n%s", told)
	}
	if told := b.MustRun("cat /sys/class/block/" + strings.TrimPrefix(node, "/dev/") + "/events_poll_msecs"); told != "1000\n" {
		b.t.Errorf("the card's reader is asked every %q milliseconds", told)
	}
	if told := b.MustRun("udevadm info --query=property /dev/vda"); strings.Contains(told, "UDISKS_AUTO") {
		b.t.Errorf("of the system's own disk udev knows:\n%s", told)
	}
}
