package stories

import (
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// The daemon is killed in mid-copy, and in the next life the kernel takes its
// memory away. Each time systemd starts it again, and the offload goes on where
// it was: the same one, with what was proven not written again. When all is done
// it stands still and feeds the watchdog no more: that, too, ends in another life.
func TestStory_killedAndOutOfMemory(t *testing.T) {
	inTurn(t, 1)
	longStory(t)
	t.Parallel()
	b := startCrawling(t, "SKUA_K1", NewTree(t, "killed", 0, 7, 4), testbed.Ext4)
	first := b.inMidCopy(5)
	pid := b.daemonPID()
	b.MustRun("kill -9 " + pid)
	b.again(pid)
	// In this life, too, at least one file more is proven before it ends.
	second := b.Until("the copy goes on", func(s Status) bool {
		if len(s.Offloads) == 0 || !s.Offloads[0].Running || len(s.Offloads[0].Copies) != 2 {
			return false
		}
		for i, c := range s.Offloads[0].Copies {
			if c.FilesProven <= first.Offloads[0].Copies[i].FilesProven {
				return false
			}
		}
		return true
	})
	pid = b.daemonPID()
	// The write comes back when the kernel has killed enough to keep to the limit.
	b.MustRun("cd /sys/fs/cgroup/system.slice/bothy.service && echo 6M >memory.max; echo max >memory.max; true")
	b.again(pid)
	if journal := b.Journal("bothy"); !strings.Contains(journal, "oom-kill") {
		t.Errorf("the kernel did not kill it, so this shows nothing:\n%s", journal)
	}
	b.hurry()
	s := b.UntilDecided("SKUA_K1", "release")
	if len(s.Offloads) != 1 || s.Offloads[0].ID != first.Offloads[0].ID {
		t.Errorf("another offload was begun: %+v", s.Offloads)
	}
	for i, c := range s.Offloads[0].Copies {
		left := int64(8-second.Offloads[0].Copies[i].FilesProven) * (4*testbed.MiB + 40_000)
		if c.WrittenBytes > left {
			t.Errorf("%s was given %d bytes in the last life, and lacked %d at most", c.DriveName, c.WrittenBytes, left)
		}
	}
	pid = b.daemonPID()
	b.MustRun("kill -STOP " + pid)
	b.again(pid)
	b.UntilDecided("SKUA_K1", "release")
	if journal := b.Journal("bothy"); !strings.Contains(journal, "Watchdog timeout") {
		t.Errorf("systemd did not miss the daemon's word, so this shows nothing:\n%s", journal)
	}
	b.ends()
}

func (b *Box) daemonPID() string {
	b.t.Helper()
	return strings.TrimSpace(b.MustRun("systemctl show -p MainPID --value bothy"))
}

// again waits until systemd runs another daemon than the one with that number.
func (b *Box) again(pid string) {
	b.t.Helper()
	b.WaitFor("another life of the daemon", patience, func() (bool, string) {
		state := b.Run("systemctl show -p MainPID -p ActiveState --value bothy").Stdout
		return strings.Contains(state, "active\n") && !strings.Contains(state, "activating") && !strings.Contains(state, pid+"\n") && !strings.Contains(state, "\n0\n"), state
	})
}
