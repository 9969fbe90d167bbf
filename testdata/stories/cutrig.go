package stories

import (
	"sync"
	"testing"

	"bothy/testdata/oracle"
	"bothy/testdata/testbed"
)

// A power cut is cheap when nothing that matters is on the guest's own disk: the
// box's state has a disk of its own, and after each cut a fresh copy of one
// prepared guest finds the disks as the cut left them.
const (
	stateDisk = "state"
	driveA    = "a"
	driveB    = "b"
	cardLabel = "SKUA_CUT"
)

var disksOfCut = []string{stateDisk, driveA, driveB}

// cutRig is what all cuts of a run share: the frozen guest and the images that
// chains of cuts begin with.
type cutRig struct {
	frozen *testbed.Frozen
	card   string
	digest string
	before map[string]oracle.Tree // by image
	images map[string]string      // by file system and label
	tree   oracle.Tree
	state  string
}

// newCutRig prepares a guest with this program installed and not started, and
// the images. Foreign files are on every drive.
func newCutRig(t *testing.T, program string, kinds ...testbed.FS) *cutRig {
	t.Helper()
	r := &cutRig{frozen: frozenBox(t, program), before: map[string]oracle.Tree{}, images: map[string]string{}}
	tree := NewTree(t, "cut", 3, 2, 1)
	r.card = testbed.MakeImage(t, testbed.FAT32, 36*testbed.MiB, cardLabel, tree.dir)
	r.digest = testbed.Digest(t, r.card)
	r.tree = contents(t, testbed.FAT32, r.card)
	r.state = testbed.MakeImage(t, testbed.Ext4, 16*testbed.MiB, "STATE", "")
	foreign := Tree{t.TempDir()}
	foreign.Add(t, "2026-05-01/terns/SHOT0001.RAW", "foreign", 150_000)
	foreign.Add(t, "2026-05-01/terns.unfinished/SHOT0002.RAW", "foreign", 7_000)
	foreign.Add(t, "letters/long.txt", "foreign", 20_000)
	foreign.Add(t, "note.txt", "foreign", 100)
	for _, fsType := range kinds {
		for _, label := range []string{"SKERRY_A", "SKERRY_B"} {
			image := testbed.MakeImage(t, fsType, fsType.SmallestBytes()+16*testbed.MiB, label, foreign.dir)
			r.images[string(fsType)+label] = image
			r.before[image] = contents(t, fsType, image)
		}
	}
	return r
}

var frozen struct {
	sync.Mutex
	guest *testbed.Frozen
}

// frozenBox prepares a guest once for all tests of a run.
func frozenBox(t *testing.T, program string) *testbed.Frozen {
	t.Helper()
	frozen.Lock()
	defer frozen.Unlock()
	if frozen.guest == nil {
		dir, err := ofRun()
		if err != nil {
			t.Fatal(err)
		}
		// In a test of its own, so that the guest's slot is free again.
		if !t.Run("prepare", func(t *testing.T) { frozen.guest = prepared(t, program, dir) }) {
			t.FailNow()
		}
	}
	return frozen.guest
}

// prepared is a guest as a box that has run for a while: the program installed
// and in memory, and not running. A disk is looked at without the usual second
// of patience.
func prepared(t *testing.T, program, dir string) *testbed.Frozen {
	t.Helper()
	g := testbed.Start(t, testbed.Options{})
	g.InstallOnly(program, testbed.ShippedUnit(t), policyText)
	g.MustRun(`mkdir -p /var/lib/bothy && cat /usr/bin/bothy >/dev/null
		modprobe -a usb_storage exfat vfat xfs btrfs nls_utf8 nls_ascii nls_cp437 2>/dev/null
		echo 0 >/sys/module/usb_storage/parameters/delay_use`)
	return g.Freeze(dir)
}
