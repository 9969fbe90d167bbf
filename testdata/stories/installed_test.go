package stories

import (
	"strings"
	"testing"

	"bothy/daemon/state"
	"bothy/testdata/testbed"
)

// StartBare boots a guest that knows nothing of the daemon, under the eyes of the
// oracle from the moment that it answers.
func StartBare(t *testing.T, policy string, opts testbed.Options) *Box {
	t.Helper()
	t.TempDir() // goes after the judgement, since it is asked for before
	b := &Box{t: t, copies: copiesIn(t, policy), wards: map[string][]ward{}}
	t.Cleanup(b.judge)
	b.Guest = testbed.Start(t, opts)
	t.Cleanup(func() {
		b.endWitness()
		if t.Failed() && b.Running() {
			t.Logf("the daemon's journal:\n%s", b.Journal("bothy"))
		}
	})
	t.Cleanup(b.mustNotHaveWritten)
	return b
}

// A newcomer's way: the package alone on a Debian that knows nothing of it, then a
// policy, then a card. In mid-copy the package is installed again, as an upgrade is;
// then it is removed, comes back, and is purged. apt(8) and dpkg(1) are the judges of
// the package, journalctl(1) of what the journal holds.
func TestStory_installedFromPackage(t *testing.T) {
	inTurn(t, 2)
	t.Parallel()
	deb := testbed.BuildPackage(t, "amd64")
	tree := NewTree(t, "newcomer", 0, 7, 4)
	card := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, "SKUA_P1", tree.dir)
	a, c := testbed.MakeImage(t, testbed.ExFAT, 64*testbed.MiB, "SKERRY_A", ""), testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, "SKERRY_B", "")
	b := StartBare(t, besides, testbed.Options{})
	b.CopyIn(deb, "/root/bothy.deb")
	const install = "DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends --reinstall /root/bothy.deb 2>&1"
	t.Logf("apt says:\n%s", b.MustRun(install))
	b.witness = b.Witness(nil)

	// Just installed it runs and does nothing, and says so.
	b.MustRun("systemctl is-active bothy && systemctl is-enabled bothy && test $(bothy check-policy /etc/bothy/policy.toml >/dev/null 2>&1; echo $?) = 2")
	if out := b.MustRun("bothy status"); !strings.Contains(out, "no rules yet") {
		t.Errorf("a box without rules says:\n%s", out)
	}
	b.PlugUSBs(testbed.USBDisk{ID: "a", Image: a}, testbed.USBDisk{ID: "c", Image: c},
		testbed.USBDisk{ID: "card", Image: card, Options: testbed.USBOptions{Removable: true, ReadBps: crawl, WriteBps: 1 << 20}})
	b.Until("all are seen and left alone", func(s Status) bool {
		left := 0
		for _, d := range s.Devices {
			if strings.HasPrefix(d.Label, "SK") && d.Decision == "left-alone" {
				left++
			}
		}
		return left == 3 && len(s.Cards) == 0 && len(s.Drives) == 0
	})

	// With a policy it works. An upgrade in mid-copy parks the work and goes on with it.
	b.WritePolicy(besides)
	b.MustRun("bothy check-policy /etc/bothy/policy.toml && systemctl reload bothy")
	b.inMidCopy(5)
	b.endWitness()
	b.MustRun(install)
	b.witness = b.Witness(nil)
	b.UntilDecided("SKUA_P1", "release")
	if text := b.MustRun("cat /etc/bothy/policy.toml"); text != besides {
		t.Errorf("the upgrade changed the policy:\n%s", text)
	}

	// The journal: fields, and an explanation of each condition.
	id := state.ClockUntrusted.MessageID() // there is no time server here
	if out := b.MustRun("journalctl -x -u bothy MESSAGE_ID=" + id + " -n 1 --no-pager"); !strings.Contains(out, "What to do: order is kept by sequence number") {
		t.Errorf("journalctl -x explains the clock so:\n%s", out)
	}
	if out := b.MustRun("journalctl BOTHY_CONDITION=" + string(state.ClockUntrusted) + " --no-pager"); !strings.Contains(out, "the clock is not synchronised") {
		t.Errorf("the journal holds of the clock:\n%s", out)
	}
	if out := b.MustRun("journalctl BOTHY_CARD=SKUA_P1 -o verbose --no-pager"); !strings.Contains(out, "_SYSTEMD_UNIT=bothy.service") || !strings.Contains(out, "BOTHY_OFFLOAD=") {
		t.Errorf("the journal holds of the card:\n%s", out)
	}
	b.endWitness()

	// The page's socket, had by the service manager: a port that the service itself has no
	// right to open, and whoever asks for the page starts a daemon that was stopped.
	b.MustRun("mkdir /etc/systemd/system/bothy.socket.d && printf '[Socket]\\nListenStream=\\nListenStream=127.0.0.1:80\\n' >/etc/systemd/system/bothy.socket.d/port.conf && " +
		"systemctl daemon-reload && systemctl enable bothy.socket && systemctl stop bothy && systemctl start bothy.socket bothy")
	const page = `bash -c "exec 3<>/dev/tcp/127.0.0.1/80 && printf 'GET /v1/status HTTP/1.0\r\nHost: localhost\r\n\r\n' >&3 && cat <&3" | grep '200 OK' `
	b.MustRun(page)
	b.MustRun("systemctl stop bothy && ! systemctl is-active bothy && " + page + "&& systemctl is-active bothy")

	// Removed it leaves policy and ledger; back again it knows the card. Purged it leaves
	// nothing of its own on the box.
	b.MustRun("apt-get remove -q -y bothy 2>&1 && ! systemctl is-active bothy && ! systemctl is-active bothy.socket && ! command -v bothy && test -s /etc/bothy/policy.toml && test -s /var/lib/bothy/ledger.db")
	b.MustRun(install + " && systemctl is-active bothy && systemctl is-active bothy.socket && " + page)
	b.MustRun("systemctl disable --now bothy.socket && rm -r /etc/systemd/system/bothy.socket.d && systemctl daemon-reload && systemctl restart bothy && systemctl enable bothy.socket")
	b.witness = b.Witness(nil)
	b.UntilDecided("SKUA_P1", "release")
	if out := b.MustRun("bothy list offloads"); !strings.Contains(out, ": 1 offload, 8 files") || !strings.Contains(out, "released: card SKUA_P1") {
		t.Errorf("after it was installed again it lists:\n%s", out)
	}
	b.endWitness()
	b.MustRun("apt-get purge -q -y bothy 2>&1 && test ! -e /etc/bothy && test ! -e /var/lib/bothy && test ! -e /run/bothy && test -z \"$(find /etc/systemd /var/lib/systemd -name 'bothy*')\"")
	for _, id := range []string{"a", "c", "card"} {
		b.UnplugUSB(id)
	}
	Extract(t, testbed.ExFAT, a).MustHoldOnly(t, tree)
	Extract(t, testbed.Ext4, c).MustHoldOnly(t, tree)
}
