package stories

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"

	"bothy/testdata/oracle"
	"bothy/testdata/testbed"
)

// ward is a medium that the oracle watches over: what it held before the box
// first saw it.
type ward struct {
	image  string
	fsType testbed.FS
	label  string
	disk   string // two partitions have the same one
	part   int    // number of the partition, 0 for a whole disk
	digest string // of a card's image
	before oracle.Tree
}

func (w ward) card() bool { return strings.HasPrefix(w.label, "SKUA_") }

// guard takes a medium under the oracle's eyes, the first time it is seen.
func (b *Box) guard(image string) {
	b.t.Helper()
	if b.wards[image] != nil {
		return
	}
	facts := probeImage(b.t, image)
	if facts["PTTYPE"] != "" && facts["TYPE"] == "" {
		b.wards[image] = []ward{}
		for n := 1; n <= partitions(b.t, image); n++ {
			part := testbed.PartitionImage(b.t, image, n)
			w := newWard(b.t, part, image)
			w.part = n
			b.wards[image] = append(b.wards[image], w)
		}
		return
	}
	b.wards[image] = []ward{newWard(b.t, image, image)}
}

func newWard(t *testing.T, image, disk string) ward {
	t.Helper()
	facts := probeImage(t, image)
	w := ward{image: image, fsType: testbed.FS(facts["TYPE"]), label: facts["LABEL"], disk: disk}
	w.before = contents(t, w.fsType, image)
	if w.card() {
		w.digest = testbed.Digest(t, image)
	}
	return w
}

// probeImage asks blkid (util-linux) what a medium is.
func probeImage(t *testing.T, image string) map[string]string {
	t.Helper()
	out, err := exec.Command("blkid", "-p", "-o", "export", image).Output()
	if err != nil {
		t.Fatalf("blkid %s: %v", image, err)
	}
	facts := map[string]string{}
	for line := range strings.Lines(string(out)) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), "=")
		facts[key] = strings.ReplaceAll(value, `\`, "")
	}
	return facts
}

func copyImage(t *testing.T, from, to string) {
	t.Helper()
	if out, err := exec.Command("cp", "--sparse=always", from, to).CombinedOutput(); err != nil {
		t.Fatalf("copy image: %v\n%s", err, out)
	}
}

func partitions(t *testing.T, disk string) int {
	t.Helper()
	out, err := exec.Command("sfdisk", "-q", "-l", "-o", "Start", disk).Output()
	if err != nil {
		t.Fatalf("sfdisk: %v", err)
	}
	return strings.Count(strings.TrimSpace(string(out)), "\n")
}

// contents reads a whole medium with other programs than the guest's.
func contents(t *testing.T, fsType testbed.FS, image string) oracle.Tree {
	t.Helper()
	dir, err := os.MkdirTemp("", "contents-")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	testbed.Extract(t, fsType, image, dir)
	tree, err := oracle.Take(os.DirFS(dir))
	if err != nil {
		t.Fatal(err)
	}
	return tree
}

// judge is the end of every story.
func (b *Box) judge() {
	b.t.Helper()
	if b.t.Failed() || b.t.Skipped() {
		return
	}
	for _, wrong := range b.violations() {
		b.t.Errorf("oracle: %s", wrong)
	}
	b.t.Logf("oracle: %d claims, %d media, %d looks at the windows", len(b.said), len(b.wards), b.looks)
}

// violations holds each claim that was seen, and each medium that was plugged
// in, against what is on the media now.
func (b *Box) violations() (wrong []string) {
	b.t.Helper()
	j := oracle.Judge{Copies: b.copies, Cards: map[string]oracle.Tree{}}
	for disk, list := range b.wards {
		for _, w := range list {
			if w.card() {
				j.Cards[w.label] = w.before
				if testbed.Digest(b.t, w.image) != w.digest {
					wrong = append(wrong, fmt.Sprintf("card %s was written", w.label))
				}
				continue
			}
			image := w.image
			if w.part > 0 {
				image = testbed.PartitionImage(b.t, disk, w.part)
			}
			j.Drives = append(j.Drives, oracle.Drive{Name: w.label, Disk: disk, Now: contents(b.t, w.fsType, image), Before: w.before})
		}
	}
	wrong = append(wrong, j.Violations(claimsOf(b.said, aRelease))...)
	for _, d := range b.differs {
		wrong = append(wrong, "the windows disagree: "+d)
	}
	return wrong
}
