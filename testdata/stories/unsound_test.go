package stories

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// unsound is a guest with one honest drive, and one whose medium the kernel's
// device mapper makes lose or change what it is given.
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
	sectorsAMiB = 2048
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
	linear := func(a, b int) string { return fmt.Sprintf("%d %d linear %s %d\n", a, b-a, node, a) }
	if how == "" {
		return linear(0, size)
	}
	text := ""
	if from > 0 {
		text = linear(0, from)
	}
	text += fmt.Sprintf("%d %d %s\n", from, to-from, strings.ReplaceAll(how, "%s", fmt.Sprintf("%s %d", node, from)))
	if to < size {
		text += linear(to, size)
	}
	return text
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

// copied is what "bothy copy --json" says.
type copied struct {
	Verdict, Reason string
	Copies          []struct{ State, Reason, Folder string }
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

// A medium that loses or changes what it is given: what comes of it is
// found by reading back, and either written again elsewhere or not proven. The
// honest drive has its copy each time. That the fault does harm is shown by cp,
// which notices nothing.
func TestStory_unsoundDrive(t *testing.T) {
	t.Parallel()
	u := newUnsound(t)
	for _, tc := range []struct {
		name, maker    string
		fromMiB, toMiB int
		how            string
		proven         bool // it ends proven: written again elsewhere
	}{
		{"lost writes, ext4", "mkfs.ext4 -F -q -m 0", 0, unsoundMiB, flakey("drop_writes"), false},
		{"lost writes, FAT32", "mkfs.vfat -F 32", 0, unsoundMiB, flakey("drop_writes"), false},
		{"a torn write, exFAT", "mkfs.exfat", inClip, inClip + 1, flakey("drop_writes"), true},
		{"flips at one place, exFAT", "mkfs.exfat", inClip, inClip + 1, flakey("corrupt_bio_byte 32 w 1 0"), true},
		{"flips everywhere, exFAT", "mkfs.exfat", inClip, unsoundMiB, flakey("corrupt_bio_byte 32 w 1 0"), false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			u.t = t
			u.lay(tc.maker, tc.fromMiB, tc.toMiB, tc.how)
			// cp and sync notice nothing.
			u.MustRun("mkdir -p /run/bad/2026/cp && cp -r /run/source/. /run/bad/2026/cp/; sync -f /run/bad")
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
