package testbed

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// soon is how long the bed's own tests wait for the guest to notice something.
const soon = 5 * time.Minute

// watchUdev starts writing udev's block events to a file in the guest and
// returns a function that reads what has come since the last call.
func watchUdev(g *Guest) func() string {
	const file = "/run/testbed/udev.txt"
	g.MustRun("stdbuf -oL udevadm monitor --udev --property --subsystem-match=block >" + file + " 2>&1 </dev/null & true")
	g.WaitFor("udevadm monitor to listen", soon, func() (bool, string) {
		text := g.Run("cat " + file).Stdout
		return strings.Contains(text, "UDEV - "), text
	})
	seen := len(g.ReadFile(file))
	return func() string {
		g.MustRun("udevadm settle -t 30")
		text := string(g.ReadFile(file))
		fresh := text[seen:]
		seen = len(text)
		return fresh
	}
}

// events lists "action disk" of udevadm monitor's output, in order.
func events(text string) []string {
	var list []string
	for line := range strings.Lines(text) {
		if fields := strings.Fields(line); len(fields) >= 4 && fields[0] == "UDEV" {
			list = append(list, fields[2]+" "+filepath.Base(fields[3]))
		}
	}
	return list
}

func wantContains(t *testing.T, what, text string, wanted ...string) {
	t.Helper()
	for _, want := range wanted {
		if !strings.Contains(text, want) {
			t.Errorf("%s: lacks %q:\n%s", what, want, text)
		}
	}
}

func TestGuest_isAFieldBox(t *testing.T) {
	t.Parallel()
	g := Start(t, Options{})
	if failed := g.Failed(); len(failed) > 0 {
		t.Errorf("units failed at boot: %v", failed)
	}
	modules := "vfat exfat ext4 xfs btrfs ntfs3 usb-storage uas xhci-pci dummy_hcd usb_f_mass_storage libcomposite " +
		"ledtrig-timer ledtrig-pattern loop dm-flakey dm-delay dm-log-writes scsi_debug"
	g.MustRun("for m in " + modules + "; do modinfo -F name $m >/dev/null || exit 1; done")

	t.Run("commands", func(t *testing.T) {
		res := g.Run("echo out; echo err >&2; exit 7")
		if res.Stdout != "out\n" || res.Stderr != "err\n" || res.Exit != 7 || res.TimedOut {
			t.Errorf("result %+v", res)
		}
		res = g.RunFor(time.Second, "sh", "-c", "echo before; exec sleep 600")
		if !res.TimedOut || res.Exit != 137 || res.Stdout != "before\n" {
			t.Errorf("a command that overstays: %+v", res)
		}
	})
	t.Run("files", func(t *testing.T) {
		in := filepath.Join(t.TempDir(), "in")
		data := make([]byte, 3*MiB+17)
		for i := range data {
			data[i] = byte(i * 7 >> 3)
		}
		if err := os.WriteFile(in, data, 0o750); err != nil {
			t.Fatal(err)
		}
		g.CopyIn(in, "/var/tmp/a/b/c")
		g.CopyOut("/var/tmp/a/b/c", in+".back")
		if Digest(t, in) != Digest(t, in+".back") {
			t.Error("a file that went in and out has changed")
		}
		if mode := g.MustRun("stat -c %a /var/tmp/a/b/c"); mode != "750\n" {
			t.Errorf("mode %q", mode)
		}
	})
	t.Run("status endpoint", func(t *testing.T) {
		if _, ok, reason := g.HTTPGet("/nobody"); ok {
			t.Error("an answer where nobody listens")
		} else if !strings.Contains(reason, "refused") {
			t.Error(reason)
		}
		serveOnce(t, g)
	})
	t.Run("lights", func(t *testing.T) { lights(t, g) })
	t.Run("tests inside the guest", func(t *testing.T) {
		out := g.RunTestBinary("./testdata/testbed/wire", soon, "-test.run=Frames")
		wantContains(t, "output", out, "--- PASS: TestFrames_roundTrip")
	})
}

// serveOnce lets systemd's own socket activation and cat be a web server.
func serveOnce(t *testing.T, g *Guest) {
	t.Helper()
	g.WriteFile("/run/systemd/system/page.socket", []byte("[Socket]\nListenStream=127.0.0.1:9810\nAccept=yes\n"), 0o644)
	g.WriteFile("/run/systemd/system/page@.service", []byte("[Service]\nStandardInput=socket\nExecStart=/run/testbed/page\n"), 0o644)
	g.WriteFile("/run/testbed/page", []byte(`#!/bin/sh
cr=$(printf '\r')
read -r asked
while read -r line && [ "$line" != "$cr" ]; do :; done
printf 'HTTP/1.0 418 x\r\nAsked: %s\r\n\r\nhello' "${asked%$cr}"
`), 0o755)
	g.MustRun("systemctl daemon-reload; systemctl start page.socket")
	reply, ok, reason := g.HTTPGet("/v1/status")
	if !ok {
		t.Fatal(reason)
	}
	if reply.Status != http.StatusTeapot || string(reply.Body) != "hello" || !strings.Contains(reply.Header.Get("Asked"), "GET /v1/status") {
		t.Errorf("reply %d %v %q", reply.Status, reply.Header, reply.Body)
	}
}

func lights(t *testing.T, g *Guest) {
	t.Helper()
	names := g.LEDNames()
	i := slices.IndexFunc(names, func(name string) bool { return strings.HasSuffix(name, "::compose") })
	if i < 0 {
		t.Fatalf("no LED of the USB keyboard among %v", names)
	}
	led := names[i]
	g.MustRun("modprobe ledtrig-timer; cd /sys/class/leds/" + led + "; echo none >trigger; echo 1 >brightness")
	if got := g.LED(led); got != (LED{Trigger: "none", Brightness: "1"}) {
		t.Errorf("steady: %v", got)
	}
	g.MustRun("cd /sys/class/leds/" + led + "; echo timer >trigger; echo 250 >delay_on; echo 1750 >delay_off")
	got := g.LED(led)
	got.Brightness = "" // whatever the blinking is at
	if got != (LED{Trigger: "timer", DelayOn: "250", DelayOff: "1750"}) {
		t.Errorf("blinking: %v", got)
	}
}

func TestGuest_hotplug(t *testing.T) {
	t.Parallel()
	needRoot(t)
	first := MakeImage(t, Ext4, Ext4.SmallestBytes(), "ATBOOT", "")
	stick := MakeImage(t, FAT32, 64*MiB, "SKUA_1", tree(t))
	before := Digest(t, stick)
	g := Start(t, Options{Hub: true, USB: []USBDisk{{ID: "atboot", Image: first, Options: USBOptions{Port: "1.3"}}}})
	wantContains(t, "disk present at boot", g.MustRun("udevadm info -q property "+g.Node("atboot")), "ID_FS_LABEL=ATBOOT\n", "usb-0:1.3:1.0")

	udev := watchUdev(g)
	g.PlugUSB("stick", stick, USBOptions{Serial: "S-42", Removable: true, Port: "5"})
	node := g.Node("stick")
	name := filepath.Base(node)
	seen := udev()
	if !slices.Contains(events(seen), "add "+name) {
		t.Errorf("no add event of %s:\n%s", name, seen)
	}
	wantContains(t, "udev properties", seen, "ID_FS_TYPE=vfat\n", "ID_FS_LABEL=SKUA_1\n", "ID_FS_UUID=", "ID_BUS=usb\n",
		"ID_SERIAL_SHORT=S-42\n", "ID_PATH=pci-0000:00:05.0-usb-0:5:1.0-scsi-0:0:0:0\n", "DISKSEQ=")
	if got := g.MustRun("cat /sys/block/" + name + "/removable"); got != "1\n" {
		t.Errorf("removable %q", got)
	}
	g.MustRun("mount -o ro " + node + " /mnt && grep -q gannets /mnt/notes* && umount /mnt")

	g.UnplugUSB("stick")
	g.WaitFor("the remove event", soon, func() (bool, string) {
		seen += udev()
		return slices.Contains(events(seen), "remove "+name), seen
	})
	if Digest(t, stick) != before {
		t.Error("reading changed the image")
	}
	if n := g.WritesTo(stick); n != 0 {
		t.Errorf("%d writes to a disk that was only read", n)
	}
	// What is written and the same as before shows in no digest, but here.
	g.MustRun("dd if=" + g.Node("atboot") + " of=" + g.Node("atboot") + " count=1 conv=notrunc oflag=direct")
	if g.WritesTo(first) == 0 {
		t.Error("no writes to a disk that was written")
	}

	g.PlugUSB("locked", stick, USBOptions{ReadOnly: true})
	if res := g.Run("dd if=/dev/zero of=" + g.Node("locked") + " count=1 oflag=direct"); res.Exit == 0 {
		t.Error("a write-protected disk was written")
	}
	if Digest(t, stick) != before {
		t.Error("a write-protected image has changed")
	}
}

func TestGuest_readerThatStays(t *testing.T) {
	t.Parallel()
	one := MakeImage(t, FAT32, 40*MiB, "SKUA_A", clip(t, "first"))
	two := MakeImage(t, FAT32, 50*MiB, "SKUA_B", "")
	third := MakeImage(t, FAT32, 40*MiB, "SKUA_C", clip(t, "other"))
	g := Start(t, Options{ReaderSlots: 2})
	node := g.ReaderNode(0)
	if size := g.MustRun("cat /sys/class/block/" + filepath.Base(node) + "/size"); size != "0\n" {
		t.Errorf("an empty slot of %s sectors", size)
	}
	udev := watchUdev(g)
	g.ReaderInsert(0, one, USBOptions{})
	inserted := g.slotState(0)
	seen := udev()
	wantContains(t, "insertion", seen, "ID_FS_LABEL=SKUA_A\n", "DISKSEQ="+inserted.diskSeq+"\n", "DISK_MEDIA_CHANGE=1\n")

	g.ReaderSwap(0, two, USBOptions{})
	swapped := g.slotState(0)
	if swapped.node != inserted.node || swapped.diskSeq == inserted.diskSeq {
		t.Errorf("swapped from %+v to %+v: want the same node and another diskseq", inserted, swapped)
	}
	swap := udev()
	wantContains(t, "swap", swap, "ID_FS_LABEL=SKUA_B\n", "DISKSEQ="+swapped.diskSeq+"\n", "DISK_MEDIA_CHANGE=1\n")

	g.ReaderSwap(0, one, USBOptions{})
	staleDescriptor(t, g, third)
	swap += udev()

	g.ReaderEject(0)
	eject := udev()
	for _, event := range events(seen + swap + eject) {
		if action, _, _ := strings.Cut(event, " "); action != "change" {
			t.Errorf("event %q: a reader that stays sends changes only", event)
		}
	}
	if res := g.Run("dd if=" + node + " count=1 of=/dev/null"); res.Exit == 0 || !strings.Contains(res.Stderr, "No medium") {
		t.Errorf("opening an empty slot: %+v", res)
	}
	g.ReaderInsert(1, one, USBOptions{})
	if other := g.ReaderNode(1); other == node {
		t.Errorf("both slots are %s", node)
	}
}

// clip lays out a card with one file of a block that begins with word.
func clip(t *testing.T, word string) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "CLIP.MOV"), []byte(word+strings.Repeat(".", 4096-len(word))), 0o644); err != nil {
		t.Fatal(err)
	}
	return dir
}

// staleDescriptor shows that the bed has the trap a reader sets: a file opened
// on one card reads, without any error, the bytes of the card that follows.
func staleDescriptor(t *testing.T, g *Guest, next string) {
	t.Helper()
	g.MustRun("mkfifo /run/go && mount -o ro " + g.ReaderNode(0) + ` /mnt
		(exec 3</mnt/CLIP.MOV; read go </run/go
		dd bs=4096 count=1 iflag=direct <&3 >/run/stale 2>/run/stale.err; echo $? >/run/stale.exit) >/dev/null 2>&1 &
		true`)
	g.ReaderSwap(0, next, USBOptions{})
	g.MustRun("echo go >/run/go")
	g.WaitFor("the late read", soon, func() (bool, string) {
		return g.Run("cat /run/stale.exit").Stdout != "", g.Run("ps aux").Stdout
	})
	if got := g.MustRun("cat /run/stale.exit; head -c 5 /run/stale"); got != "0\nother" {
		t.Errorf("a descriptor of the card before: %q %s", got, g.MustRun("cat /run/stale.err"))
	}
	g.MustRun("umount /mnt")
}

func TestGuest_powerCut(t *testing.T) {
	t.Parallel()
	image := MakeImage(t, Ext4, 32*MiB, "BAY_1", "")
	g := Start(t, Options{USB: []USBDisk{{ID: "bay1", Image: image}}, ReaderSlots: 1})
	boot := g.BootID()
	mount := "mount " + g.Node("bay1") + " /mnt"
	g.MustRun("echo kept >/etc/kept && sync && " + mount + " && echo kept >/mnt/kept && sync && echo lost >/mnt/lost && echo lost >/run/lost")
	g.PowerCut()
	g.Boot()
	if g.BootID() == boot {
		t.Error("the same boot id after a power cut")
	}
	g.MustRun("grep -qx kept /etc/kept && mount " + g.Node("bay1") + " /mnt && grep -qx kept /mnt/kept")
	// Written, never flushed, and cut within the kernel's five seconds: gone.
	if res := g.Run("cat /mnt/lost /run/lost"); strings.Contains(res.Stdout, "lost") {
		t.Errorf("what was in memory only has survived: %+v", res)
	}
	if log := g.MustRun("journalctl --list-boots | grep -cE '^ *-?[0-9]'"); strings.TrimSpace(log) != "2" {
		t.Errorf("the journal knows %s boots, want 2", log)
	}
	g.MustRun("umount /mnt")
	g.UnplugUSB("bay1")
	out := t.TempDir()
	needRoot(t)
	Extract(t, Ext4, image, out)
	if text, err := os.ReadFile(filepath.Join(out, "kept")); err != nil || string(text) != "kept\n" {
		t.Errorf("from outside: %q, %v", text, err)
	}
}

// The bed must be able to tell a read of the medium from one of the cache: a
// byte changed behind a clean cache is there for the first only.
func TestGuest_imageChangedBehindACleanCache(t *testing.T) {
	t.Parallel()
	const size, block, offset = 2 * MiB, 4096, MiB + 4096
	for _, fs := range []FS{FAT32, Ext4} {
		t.Run(string(fs), func(t *testing.T) {
			t.Parallel()
			image := MakeImage(t, fs, 64*MiB, "BAY_2", "")
			g := Start(t, Options{})
			g.PlugUSB("bay2", image, USBOptions{})
			g.MustRun("mount " + g.Node("bay2") + " /mnt")
			content := strings.Repeat("fulmar__", size/8)
			g.WriteFile("/mnt/clip", []byte(content), 0o644)
			g.MustRun("sync; sync; cat /mnt/clip >/dev/null")
			at := findBlock(t, image, content[:block], offset/block)
			if err := MutateImage(image, at, []byte("PUFFIN")); err != nil {
				t.Fatal(err)
			}
			read := fmt.Sprintf("dd if=/mnt/clip bs=%d skip=%d count=1 status=none", block, offset/block)
			if cached := g.MustRun(read); cached != content[:block] {
				t.Errorf("a buffered read saw the change: %.40q", cached)
			}
			if direct := g.MustRun(read + " iflag=direct"); direct != "PUFFIN"+content[6:block] {
				t.Errorf("a direct read did not see the change: %.40q", direct)
			}
		})
	}
}

// findBlock returns the offset in image of the occurrence of block, counted
// from 0, on a boundary of its own size. The file lies there in one piece.
func findBlock(t *testing.T, image, block string, occurrence int) int64 {
	t.Helper()
	data, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	for at := 0; at+len(block) <= len(data); at += 512 {
		if string(data[at:at+len(block)]) != block {
			continue
		}
		at += occurrence * len(block)
		if string(data[at:at+len(block)]) != block {
			t.Fatal("the file is not in one piece in the image")
		}
		return int64(at)
	}
	t.Fatal("the file is not in the image")
	return 0
}
