package stories

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// unsound is a guest with one honest drive, and one whose medium the kernel's
// device mapper makes lose, refuse or change what it is given.
type unsound struct {
	*testbed.Guest
	t    *testing.T
	node string // of the disk below the device mapper
	size int    // of that disk, in sectors
}

// Places on the unsound disk, in MiB. The file systems here fill a fresh disk
// from the front, so that a clip of 6 MiB, which comes first, lies over inClip.
const (
	unsoundMiB  = 96
	inClip      = 5
	sectorsAMiB = testbed.MiB / sectorBytes
)

func newUnsound(t *testing.T) *unsound {
	disk := testbed.MakeImage(t, testbed.FAT32, unsoundMiB*testbed.MiB, "NOLABEL", "")
	good := testbed.MakeImage(t, testbed.Ext4, 96*testbed.MiB, "SKERRY_A", "")
	u := &unsound{Guest: testbed.Start(t, testbed.Options{}), t: t, size: unsoundMiB * sectorsAMiB}
	u.CopyIn(daemonBinary(t), "/usr/bin/bothy")
	u.PlugUSB("disk", disk, testbed.USBOptions{WriteBps: 1 << 30})
	u.PlugUSB("good", good, testbed.USBOptions{})
	u.node = u.Node("disk")
	u.MustRun("modprobe -a dm-mod dm-flakey && chmod 755 /usr/bin/bothy && mkdir -p /run/good /run/bad && mount " + u.Node("good") + ` /run/good
		mkdir -p /run/source/DCIM && cd /run/source/DCIM && head -c 6291533 /dev/urandom >CLIP0001.MOV
		for i in $(seq 10 15); do head -c $((90000 + i * 777)) /dev/urandom >SKUA00$i.JPG; done`)
	return u
}

// table is a device-mapper table of the whole disk, in which the places from
// and to (MiB) are between sound and unsound: how is a target, with %s for the
// disk and its offset (kernel documentation, admin-guide/device-mapper).
func (u *unsound) table(node string, size, from, to int, how string) string {
	var unsound [][2]int64
	if how != "" {
		unsound = append(unsound, [2]int64{int64(from), int64(to)})
	}
	return tableWith(int64(size), node, unsound, func(from, n int64) string {
		return fmt.Sprintf("%d %d %s", from, n, strings.ReplaceAll(how, "%s", fmt.Sprintf("%s %d", node, from)))
	})
}

// flakey is a target that always does what the feature says.
func flakey(features string) string {
	return fmt.Sprintf("flakey %%s 0 1 %d %s", len(strings.Fields(features)), features)
}

// lay makes a fresh file system on the sound disk, mounts it, and then makes it
// unsound from one place to another, in MiB.
func (u *unsound) lay(maker string, fromMiB, toMiB int, how string) {
	u.t.Helper()
	u.MustRun(fmt.Sprintf(`printf '%s' | dmsetup create unsound && udevadm settle -t 30
		%s /dev/mapper/unsound >/dev/null 2>&1 && mount -o noatime /dev/mapper/unsound /run/bad && sync && dmesg -C`,
		escaped(u.table(u.node, u.size, 0, 0, "")), maker))
	u.reload(u.table(u.node, u.size, fromMiB*sectorsAMiB, toMiB*sectorsAMiB, how))
}

func escaped(table string) string { return strings.ReplaceAll(table, "\n", `\n`) }

func (u *unsound) reload(table string) {
	u.t.Helper()
	u.MustRun("printf '" + escaped(table) + "' | dmsetup load unsound && dmsetup suspend unsound && dmsetup resume unsound")
}

// lift lets the drive go, makes the disk sound, and counts the source's files
// that are not in the copy as they were. -1: there is no copy.
func (u *unsound) lift() (harmed int) {
	u.t.Helper()
	out := u.MustRun(fmt.Sprintf(`umount /run/bad; printf '%s' | dmsetup load unsound && dmsetup suspend unsound && dmsetup resume unsound
		echo 3 >/proc/sys/vm/drop_caches
		mount -o ro /dev/mapper/unsound /run/bad 2>/dev/null || mount -o ro,noload /dev/mapper/unsound /run/bad 2>/dev/null || true
		copy=; for c in /run/bad/20*/*; do case $c in *.unfinished) ;; *) [ -d "$c" ] && copy=$c ;; esac; done
		harmed=0
		for f in $(cd /run/source && find . -type f); do cmp -s /run/source/$f "$copy/$f" || harmed=$((harmed + 1)); done
		[ -n "$copy" ] || harmed=-1
		umount /run/bad 2>/dev/null; dmsetup remove --retry unsound; rm -rf /run/good/20*; echo $harmed`,
		escaped(u.table(u.node, u.size, 0, 0, ""))))
	if _, err := fmt.Sscan(out, &harmed); err != nil {
		u.t.Fatalf("%v: %s", err, out)
	}
	return harmed
}

// copied is what "bothy copy --json" says, as far as stories look at it.
type copied struct {
	Verdict, Reason string
	Copies          []struct{ State, Reason, Folder string }
	Salvaged        []struct {
		Path, As string
		Missing  [][2]int64 // ranges of bytes, the second number not in them
	}
}

func (u *unsound) copy(args string) copied {
	u.t.Helper()
	res := u.Run("bothy copy " + args + " --json")
	return u.told(res.Stdout, res.Stderr)
}

func (u *unsound) told(stdout, stderr string) (end copied) {
	u.t.Helper()
	if err := json.Unmarshal([]byte(stdout), &end); err != nil || len(end.Copies) != 2 {
		u.t.Fatalf("%v: %s%s", err, stdout, stderr)
	}
	u.t.Logf("%s: %s; the first copy: %s: %s", end.Verdict, end.Reason, end.Copies[0].State, end.Copies[0].Reason)
	return end
}

// A medium that loses, refuses or changes what it is given: what comes of it is
// found by reading back, and either written again elsewhere or not proven. The
// honest drive has its copy each time. That the fault does harm is shown by cp,
// which notices nothing.
func TestStory_unsoundDrive(t *testing.T) {
	inTurn(t, 2)
	t.Parallel()
	u := newUnsound(t)
	for _, tc := range []struct {
		name, maker    string
		fromMiB, toMiB int
		how            string
		proven         bool // it ends proven: written again elsewhere
		cpNotices      bool // sync says that something went wrong
	}{
		{"lost writes, ext4", "mkfs.ext4 -F -q -m 0", 0, unsoundMiB, flakey("drop_writes"), false, false},
		{"lost writes, FAT32", "mkfs.vfat -F 32", 0, unsoundMiB, flakey("drop_writes"), false, false},
		{"a torn write, exFAT", "mkfs.exfat", inClip, inClip + 1, flakey("drop_writes"), true, false},
		{"flips at one place, exFAT", "mkfs.exfat", inClip, inClip + 1, flakey("corrupt_bio_byte 32 w 1 0"), true, false},
		{"flips everywhere, exFAT", "mkfs.exfat", inClip, unsoundMiB, flakey("corrupt_bio_byte 32 w 1 0"), false, false},
		{"flushes that fail, exFAT", "mkfs.exfat", inClip, inClip + 1, flakey("error_writes"), false, true},
		{"a flush that fails once, exFAT", "mkfs.exfat", inClip, inClip + 1, "error", true, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			u.t = t
			u.lay(tc.maker, tc.fromMiB, tc.toMiB, tc.how)
			// The second sync says that all is well: what the first one lost is forgotten.
			cp := u.Run("mkdir -p /run/bad/2026/cp && cp -r /run/source/. /run/bad/2026/cp/; sync -f /run/bad; first=$?; sync -f /run/bad && exit $first")
			if noticed := cp.Exit != 0; noticed != tc.cpNotices {
				t.Errorf("cp and sync: %+v", cp)
			}
			if harmed := u.lift(); harmed == 0 {
				t.Fatal("the fault did no harm, so this shows nothing")
			}
			u.lay(tc.maker, tc.fromMiB, tc.toMiB, tc.how)
			end := u.copy("/run/source --to /run/bad --to /run/good")
			t.Log(u.Run("dmesg | tail -5").Stdout)
			harmed := u.lift()
			if end.Copies[1].State != "proven" {
				t.Errorf("the honest drive's copy is %s: %s", end.Copies[1].State, end.Copies[1].Reason)
			}
			if proven := end.Copies[0].State == "proven"; proven != tc.proven || proven && harmed != 0 {
				t.Errorf("the copy is %s (%s), and %d files are not what they were", end.Copies[0].State, end.Copies[0].Reason, harmed)
			}
			if want := map[bool]string{true: "release", false: "hold"}[tc.proven]; end.Verdict != want {
				t.Errorf("the verdict is %s, want %s", end.Verdict, want)
			}
			if !tc.proven && harmed != -1 {
				t.Error("a folder looks finished")
			}
		})
	}
}

// A card, or its reader, that flips a bit now and then. Reading it twice finds
// that; reading it once cannot, and the documentation says so.
func TestStory_unsoundCard(t *testing.T) {
	t.Parallel()
	longStory(t)
	tree := NewTree(t, "unsound", 0, 5, 3)
	card := testbed.MakeImage(t, testbed.FAT32, 96*testbed.MiB, "SKUA_U1", tree.dir)
	u := newUnsound(t)
	second := testbed.MakeImage(t, testbed.ExFAT, 96*testbed.MiB, "SKERRY_B", "")
	u.PlugUSB("second", second, testbed.USBOptions{})
	u.PlugUSB("card", card, testbed.USBOptions{Removable: true})
	u.MustRun("mkdir -p /run/card && mount " + u.Node("second") + " /run/bad")
	clip := filepath.Join(tree.dir, "DCIM/101SKUAS/CLIP0003.MOV")
	data, err := os.ReadFile(clip)
	if err != nil {
		t.Fatal(err)
	}
	at := int(find(t, card, data[1<<20:(1<<20)+4096])) / sectorBytes
	sound := u.table(u.Node("card"), unsoundMiB*sectorsAMiB, 0, 0, "")
	// A random byte of every read from 256 KiB of that clip becomes another one.
	flips := u.table(u.Node("card"), unsoundMiB*sectorsAMiB, at, at+512, flakey("random_read_corrupt 1000000000"))
	u.MustRun("printf '" + escaped(sound) + "' | dmsetup create unsound && udevadm settle -t 30 && mount -o ro /dev/mapper/unsound /run/card")

	t.Run("flips", func(t *testing.T) {
		u.t = t
		u.reload(flips)
		defer u.reload(sound)
		end := u.copy("/run/card --to /run/bad --to /run/good")
		if end.Verdict != "release" || u.Run("cmp /run/good/20*/card-*/DCIM/101SKUAS/CLIP0003.MOV /run/bad/20*/card-*/DCIM/101SKUAS/CLIP0003.MOV").Exit != 0 {
			t.Errorf("read once: %+v", end)
		}
		u.CopyOut(end.Copies[1].Folder+"/DCIM/101SKUAS/CLIP0003.MOV", filepath.Join(t.TempDir(), "clip"))
		if string(u.ReadFile(end.Copies[1].Folder+"/DCIM/101SKUAS/CLIP0003.MOV")) == string(data) {
			t.Error("the card flipped nothing, so this shows nothing")
		}
		u.MustRun("rm -rf /run/bad/20* /run/good/20*")
		end = u.copy("/run/card --to /run/bad --to /run/good --verify read-back-twice")
		if end.Verdict != "hold" || !strings.Contains(end.Reason, `CLIP0003.MOV" gave other bytes when it was read again`) {
			t.Errorf("read twice: %+v", end)
		}
		u.MustRun("rm -rf /run/bad/20* /run/good/20*")
	})
	t.Run("changes while it is read", func(t *testing.T) {
		u.t = t
		u.cardChanges(tree)
	})
	u.MustRun("umount /run/bad /run/card && dmsetup remove --retry unsound")
	t.Run("a drive hangs", func(t *testing.T) {
		u.t = t
		u.driveHangs()
	})
	t.Run("said", func(t *testing.T) {
		readme, err := os.ReadFile("../../README.md")
		if err != nil {
			t.Fatal(err)
		}
		if text := strings.Join(strings.Fields(string(readme)), " "); !strings.Contains(text, "a bit that flips inside card or reader on the way is found only by `verify = \"read-back-twice\"`") {
			t.Error("README.md does not say that reading back cannot find this")
		}
	})
}

// begin starts a copy that goes on beside the story.
func (u *unsound) begin(args string) {
	u.t.Helper()
	u.MustRun("rm -f /run/end.*; (bothy copy " + args + " --json >/run/end.json 2>/run/end.err; echo $? >/run/end.exit) >/dev/null 2>&1 & true")
}

// cardChanges: bytes of a file that was read change on the card while others
// are being read. The second reading finds it.
func (u *unsound) cardChanges(tree Tree) {
	u.t.Helper()
	card := testbed.MakeImage(u.t, testbed.FAT32, 64*testbed.MiB, "SKUA_U2", tree.dir)
	data, err := os.ReadFile(filepath.Join(tree.dir, "DCIM/101SKUAS/CLIP0001.MOV"))
	if err != nil {
		u.t.Fatal(err)
	}
	at := find(u.t, card, data[1<<20:(1<<20)+4096])
	u.PlugUSB("changing", card, testbed.USBOptions{Removable: true, ReadBps: 1 << 20})
	u.MustRun("mkdir -p /run/changing && mount -o ro " + u.Node("changing") + " /run/changing")
	u.begin("/run/changing --to /run/bad --to /run/good --verify read-back-twice")
	// It reads one file after the other: the first two have been read by now.
	u.WaitFor("the third clip", patience, func() (bool, string) {
		res := u.Run("ls /run/good/20*/*.unfinished/DCIM/101SKUAS /run/end.exit")
		return strings.Contains(res.Stdout, "CLIP0003"), res.Stdout + res.Stderr
	})
	if err := testbed.MutateImage(card, at, []byte("not what it was")); err != nil {
		u.t.Fatal(err)
	}
	end := u.ended()
	if end.Verdict != "hold" || !strings.Contains(end.Reason, `CLIP0001.MOV" gave other bytes when it was read again`) {
		u.t.Errorf("a card that changed: %+v", end)
	}
	for _, c := range end.Copies {
		if c.State == "proven" {
			u.t.Errorf("a copy is proven: %+v", c)
		}
	}
	u.MustRun("umount /run/changing && rm -rf /run/bad/20* /run/good/20*")
	u.UnplugUSB("changing")
	if n := u.WritesTo(card); n != 0 {
		u.t.Errorf("%d writes to the card", n)
	}
}

// driveHangs: the kernel stops answering for one drive in mid-copy. The other
// one gets its copy, and the end does not wait for the first.
func (u *unsound) driveHangs() {
	u.t.Helper()
	u.lay("mkfs.ext4 -F -q -m 0", 0, 0, "")
	u.Throttle("disk", 0, 1<<20)
	u.begin("/run/source --to /run/bad --to /run/good")
	u.MustRun("until [ -e /run/bad/20*/*.unfinished/CLIP0001.MOV -o -e /run/bad/20*/*.unfinished/DCIM/CLIP0001.MOV ]; do sleep 0.1; done; dmsetup suspend --nolockfs --noflush unsound")
	var end copied
	u.WaitFor("the end of the copy", patience, func() (bool, string) {
		out := u.ReadFile("/run/end.json")
		return json.Unmarshal(out, &end) == nil, string(out)
	})
	stuck := u.Run("ls /run/end.exit").Exit != 0
	u.MustRun("dmsetup resume unsound")
	u.ended()
	u.lift()
	if end.Copies[0].State != "failed" || !strings.Contains(end.Copies[0].Reason, "nothing came back") || end.Verdict != "hold" {
		u.t.Errorf("the drive that hung (still stuck: %v): %+v", stuck, end)
	}
	if end.Copies[1].State != "proven" {
		u.t.Errorf("the other drive: %+v", end.Copies[1])
	}
}

// ended waits for the end of what begin started.
func (u *unsound) ended() copied {
	u.t.Helper()
	u.WaitFor("the copy's exit", patience, func() (bool, string) {
		return u.Run("cat /run/end.exit").Stdout != "", u.Run("tail -c 300 /run/end.err").Stdout
	})
	return u.told(string(u.ReadFile("/run/end.json")), string(u.ReadFile("/run/end.err")))
}
