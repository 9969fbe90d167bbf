package stories

import (
	"encoding/json"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// The kernel turns one drive read-only in mid-copy: said, unfinished, and the
// other drive's copy stands. Then everything that a box can do without is taken
// away at once: a light, the journal, the ledger's disk, the network. The next
// card is copied and released all the same, and what is missing is said.
func TestStory_readOnlyDriveAndThingsMissing(t *testing.T) {
	t.Parallel()
	first, second := NewTree(t, "readonly", 0, 6, 4), NewTree(t, "missing", 2, 2, 2)
	cardA := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_M1", first.dir)
	cardB := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_M2", second.dir)
	driveA := testbed.MakeImage(t, testbed.ExFAT, 64*testbed.MiB, "SKERRY_A", "")
	driveB := testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, "SKERRY_B", "")
	if out, err := exec.Command("tune2fs", "-e", "remount-ro", driveB).CombinedOutput(); err != nil {
		t.Fatalf("tune2fs: %v\n%s", err, out)
	}
	b := StartBox(t, besides, testbed.Options{})
	b.PlugUSB("drive-a", driveA, testbed.USBOptions{})
	b.PlugUSB("drive-b", driveB, testbed.USBOptions{})
	b.PlugUSB("card-a", cardA, testbed.USBOptions{Removable: true, ReadBps: crawl, WriteBps: 1 << 20})
	b.inMidCopy(7)
	b.MustRun("echo test >/sys/fs/ext4/" + filepath.Base(b.Node("drive-b")) + "/trigger_fs_error")
	b.Throttle("card-a", 16<<20, 1<<20)
	s := b.UntilReason("SKUA_M1", "needs 1 more drive")
	said := false
	for _, d := range s.Drives {
		said = said || d.Name == "SKERRY_B" && d.Failing && strings.Contains(d.Reason, "read")
	}
	if !said || !s.HasCondition("drive-read-only") {
		t.Errorf("the drive that turned read-only: %+v, conditions %+v", s.Drives, s.Conditions)
	}
	b.UnplugUSB("card-a")
	b.UnplugUSB("drive-b")
	b.Until("they are out", func(s Status) bool { return len(s.Cards) == 0 && s.AttachedDrives() == 1 })
	if e := Extract(t, testbed.Ext4, driveB); len(e.Finished(t)) != 0 {
		t.Errorf("a copy that was cut off looks finished: %v", e.Finished(t))
	}

	driveC := testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, "SKERRY_C", "")
	b.PlugUSB("drive-c", driveC, testbed.USBOptions{})
	b.takeAway()
	b.PlugUSB("card-b", cardB, testbed.USBOptions{Removable: true})
	s = b.untilBySocket("the card is released without all that", func(s Status) bool {
		return len(s.Cards) == 1 && s.Cards[0].Label == "SKUA_M2" && s.Cards[0].Phase == "decided" && s.Cards[0].Verdict == "release" &&
			!s.anyInUse()
	})
	for _, code := range []string{"light-unreachable", "ledger-failing", "status-unreachable", "journal-unreachable"} {
		if !s.HasCondition(code) {
			t.Errorf("nothing says %s: %+v", code, s.Conditions)
		}
	}
	b.MustRun("systemctl stop bothy")
	for _, id := range []string{"card-b", "drive-a", "drive-c"} {
		b.UnplugUSB(id)
	}
	Extract(t, testbed.ExFAT, driveA).MustHoldEach(t, first, second)
	Extract(t, testbed.Ext4, driveC).MustHoldOnly(t, second)
}

// takeAway leaves the daemon, in one life, without a light that its policy
// names, without loopback, without a ledger that can be written and without journal.
func (b *Box) takeAway() {
	b.t.Helper()
	names := b.LEDNames()
	i := slices.IndexFunc(names, func(name string) bool { return strings.HasSuffix(name, "::compose") })
	if i < 0 {
		b.t.Fatalf("no light of the USB keyboard among %v", names)
	}
	b.WritePolicy(besides + "\n[[light]]\nshows = \"box\"\nled = \"" + names[i] + "\"\n")
	b.MustRun(`systemctl stop bothy && ip link set lo down
		truncate -s 24M /var/tmp/state.img && mkfs.ext4 -q /var/tmp/state.img
		mount -o loop,errors=remount-ro /var/tmp/state.img /var/lib/bothy && systemctl start bothy`)
	b.untilBySocket("it watches", func(s Status) bool { return s.Phase == "watching" && s.AttachedDrives() == 2 })
	b.usbDriver("usbhid", "unbind", strings.TrimSpace(b.MustRun("ls /sys/bus/usb/drivers/usbhid | grep :")))
	b.MustRun("echo test >/sys/fs/ext4/$(basename $(findmnt -no SOURCE /var/lib/bothy))/trigger_fs_error")
	pid := b.daemonPID()
	b.MustRun("systemctl stop systemd-journald.socket systemd-journald-dev-log.socket systemd-journald-audit.socket systemd-journald.service")
	b.t.Cleanup(func() {
		if b.Running() {
			b.Run("systemctl start systemd-journald.socket systemd-journald.service; ip link set lo up")
		}
	})
	b.untilBySocket("the missing light is seen", func(s Status) bool { return s.HasCondition("light-unreachable") })
	if now := b.daemonPID(); now != pid {
		b.t.Errorf("the daemon died of the missing journal: process %s is %s now", pid, now)
	}
}

// anyInUse: something is written to or read from a drive, or may be.
func (s Status) anyInUse() bool {
	for _, d := range s.Drives {
		if d.InUse {
			return true
		}
	}
	return false
}

// untilBySocket is Until for a box without a network.
func (b *Box) untilBySocket(what string, check func(s Status) bool) (s Status) {
	b.t.Helper()
	b.WaitFor(what, patience, func() (bool, string) {
		res := b.Run("bothy status --json")
		var now Status
		if err := json.Unmarshal([]byte(res.Stdout), &now); err != nil {
			return false, err.Error() + res.Stdout + res.Stderr
		}
		s = now
		return check(s), res.Stdout
	})
	return s
}
