package stories

import (
	"encoding/json"
	"fmt"
	"testing"

	"bothy/testdata/testbed"
)

// In the middle of a copy the box loses its light, the journal, the network and the disk
// with its ledger, one after the other. Each loss that the box can feel is said; the copy
// goes on all the time, and the card is released by what stands on the drives.
func TestStory_partsGoMissing(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	state := testbed.MakeImage(t, testbed.Ext4, 32*testbed.MiB, "STATE", "")
	b := crawlingAfter(t, "SKUA_M1", NewTree(t, "missing", 0, 12, 4), testbed.Ext4, func(c *crawling) {
		c.MustRun("systemctl stop bothy")
		c.Guest.PlugUSB("state", state, testbed.USBOptions{}) // no drive of the oracle's
		c.MustRun("mount " + c.Node("state") + " /var/lib/bothy && systemctl start bothy")
	})
	b.inMidCopy(12)
	pid := b.daemonPID()

	b.MustRun(`keyboard=$(readlink -f "/sys/class/leds/` + cardLED + `/device/device") && basename "$keyboard" >"$keyboard/driver/unbind"`)
	b.untilSaid("light-unreachable")

	// That is felt by whoever next has something to say.
	b.MustRun("systemctl stop systemd-journald.socket systemd-journald-dev-log.socket systemd-journald-audit.socket systemd-journald.service")

	b.MustRun("echo 0x8 >/sys/class/net/lo/flags") // IFF_UP is taken away (linux/if.h)
	if _, ok, _ := b.HTTPGet("/v1/status"); ok {
		t.Error("the page can be had without a network, so this shows nothing")
	}
	before := b.bySocket()
	b.WaitFor("the copy to go on without a network", patience, func() (bool, string) {
		now := b.bySocket()
		return len(now.Offloads) == 1 && now.Offloads[0].ReadBytes > before.Offloads[0].ReadBytes+testbed.MiB, fmt.Sprintf("%+v, before: %+v", now.Offloads, before.Offloads)
	})
	b.MustRun("echo 0x9 >/sys/class/net/lo/flags")

	b.UnplugUSB("state")
	s := b.Until("somebody looks", func(Status) bool { return true })
	if len(s.Offloads) != 1 || !s.Offloads[0].Running {
		t.Errorf("the copy was over before all was missing: %+v", s.Offloads)
	}
	b.hurry()
	b.untilSaid("ledger-failing")
	b.untilSaid("journal-unreachable")
	b.UntilDecided("SKUA_M1", "release")
	if now := b.daemonPID(); now != pid {
		t.Errorf("the daemon is another process (%s, was %s)", now, pid)
	}
	b.ends()
}

// untilSaid waits for a condition.
func (b *Box) untilSaid(code string) Status {
	b.t.Helper()
	return b.Until("it is said: "+code, func(s Status) bool { return s.HasCondition(code) })
}

// bySocket asks the box by its control socket, which needs no network.
func (b *Box) bySocket() (s Status) {
	b.t.Helper()
	if err := json.Unmarshal([]byte(b.MustRun("bothy status --json")), &s); err != nil {
		b.t.Fatal(err)
	}
	return s
}
