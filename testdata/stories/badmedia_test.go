package stories

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// copyByHand copies to two drives, and holds the exit status against the answer.
func copyByHand(t *testing.T, g *testbed.Guest, args string) (end copied) {
	t.Helper()
	res := g.Run("bothy copy " + args + " --json")
	if err := json.Unmarshal([]byte(res.Stdout), &end); err != nil || len(end.Copies) != 2 {
		t.Fatalf("exit %d: %s%s", res.Exit, res.Stdout, res.Stderr)
	}
	if all := end.Copies[0].State == "proven" && end.Copies[1].State == "proven"; all != (res.Exit == 0) {
		t.Errorf("exit %d: %+v", res.Exit, end)
	}
	return end
}

// Sectors of two clips cannot be read from the card. Everything else of them is
// on both drives, in its place; what is missing is said to the byte, in the
// answer and in the manifest, and the card is held.
func TestStory_cardWithBadSectors(t *testing.T) {
	t.Parallel()
	tree := NewTree(t, "worn", 4, 3, 3)
	const imageBytes = 64 * testbed.MiB
	card := testbed.MakeImage(t, testbed.FAT32, imageBytes, "SKUA_W1", tree.dir)
	drives := []string{testbed.MakeImage(t, testbed.ExFAT, 64*testbed.MiB, "SKERRY_A", ""), testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, "SKERRY_B", "")}
	// Where in the image a sector of a clip lies is found by its content.
	want := map[string][][2]int64{
		"DCIM/101SKUAS/CLIP0001.MOV": {{0, 1}, {1000, 1003}, {5000, 5001}},
		"DCIM/101SKUAS/CLIP0003.MOV": {{7, 8}, {2048, 2048 + 600}},
	}
	image, err := os.ReadFile(card)
	if err != nil {
		t.Fatal(err)
	}
	var bad [][2]int64
	for name, ranges := range want {
		data, err := os.ReadFile(filepath.Join(tree.dir, name))
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range ranges {
			for s := r[0]; s < r[1]; s++ {
				at := bytes.Index(image, data[s*sectorBytes:(s+1)*sectorBytes])
				if at < 0 || at%sectorBytes != 0 {
					t.Fatalf("sector %d of %s is not in the image", s, name)
				}
				bad = append(bad, [2]int64{int64(at) / sectorBytes, int64(at)/sectorBytes + 1})
			}
			ranges[i] = [2]int64{r[0] * sectorBytes, r[1] * sectorBytes}
		}
	}
	digest := testbed.Digest(t, card)

	g := testbed.Start(t, testbed.Options{})
	g.CopyIn(daemonBinary(t), "/usr/bin/bothy")
	g.PlugUSB("card", card, testbed.USBOptions{Removable: true})
	for i, drive := range drives {
		id := fmt.Sprintf("drive%d", i)
		g.PlugUSB(id, drive, testbed.USBOptions{})
		g.MustRun(fmt.Sprintf("mkdir -p /run/%[1]s && mount -o noatime %[2]s /run/%[1]s", id, g.Node(id)))
	}
	table := tableWith(imageBytes/sectorBytes, g.Node("card"), bad, func(from, n int64) string { return fmt.Sprintf("%d %d error", from, n) })
	g.WriteFile("/run/table", []byte(table), 0o644)
	g.MustRun("chmod 755 /usr/bin/bothy && modprobe dm-mod && blockdev --setro " + g.Node("card") +
		" && dmsetup create --readonly worn /run/table && udevadm settle && mkdir -p /run/worn && mount -t vfat -o ro /dev/mapper/worn /run/worn")
	end := copyByHand(t, g, "/run/worn --to /run/drive0 --to /run/drive1")
	if end.Verdict != "hold" || !strings.Contains(end.Reason, "2 files could not be read whole") {
		t.Errorf("%s: %s", end.Verdict, end.Reason)
	}
	if len(end.Salvaged) != len(want) {
		t.Errorf("salvaged: %+v", end.Salvaged)
	}
	for _, s := range end.Salvaged {
		if !slices.Equal(s.Missing, want[s.Path]) || s.As != s.Path+".salvaged" {
			t.Errorf("%s as %s: %v is missing, it says, and %v is", s.Path, s.As, s.Missing, want[s.Path])
		}
	}
	// What is there is proven; that it is no whole copy is the one thing it finds.
	verified := g.Run("bothy verify /run/drive?/20*/* 2>&1")
	if verified.Exit != 1 || strings.Count(verified.Stdout, "no whole copy\n") != 2 || strings.Count(verified.Stdout, ".incomplete: 1 finding\n") != 2 {
		t.Errorf("bothy verify ends with %d: %s", verified.Exit, verified.Stdout)
	}
	g.MustRun("umount /run/worn /run/drive0 /run/drive1 && dmsetup remove --retry worn")
	for _, id := range []string{"card", "drive0", "drive1"} {
		g.UnplugUSB(id)
	}
	if testbed.Digest(t, card) != digest {
		t.Error("the card was written")
	}
	t.Logf("%s\n%s", end.Reason, verified.Stdout)
	for i, fs := range []testbed.FS{testbed.ExFAT, testbed.Ext4} {
		mustBeSalvaged(t, tree, Extract(t, fs, drives[i]), want)
	}
}

// mustBeSalvaged holds a drive against what can be had of a card of which some
// ranges cannot.
func mustBeSalvaged(t *testing.T, tree Tree, drive Extracted, missing map[string][][2]int64) {
	t.Helper()
	list := drive.copies(t, func(name string) bool { return true })
	if len(list) != 1 || !strings.HasSuffix(list[0], ".incomplete") {
		t.Fatalf("the drive holds %v", list)
	}
	want, got := entries(t, tree.dir), entries(t, list[0])
	for name, ranges := range missing {
		data := slices.Clone(want[name])
		for _, r := range ranges {
			clear(data[r[0]:r[1]])
		}
		delete(want, name)
		want[name+".salvaged"] = data
	}
	for name, data := range got {
		if name == "ascmhl/" || strings.HasPrefix(name, "ascmhl/") {
			continue
		}
		if w, ok := want[name]; !ok || !bytes.Equal(w, data) {
			t.Errorf("%s is in the copy with %d bytes; known: %v, with %d", name, len(data), ok, len(w))
		}
		delete(want, name)
	}
	for name := range want {
		t.Errorf("%s is missing", name)
	}
	MustValidate(t, list[0])
	manifests, err := filepath.Glob(filepath.Join(list[0], "ascmhl", "*.mhl"))
	if err != nil || len(manifests) != 1 {
		t.Fatalf("manifests %v: %v", manifests, err)
	}
	text, err := os.ReadFile(manifests[0])
	if err != nil {
		t.Fatal(err)
	}
	for name, ranges := range missing {
		for _, r := range ranges {
			if !strings.Contains(string(text), fmt.Sprintf("[%d, %d)", r[0], r[1])) {
				t.Errorf("the manifest does not say that [%d, %d) of %s is missing", r[0], r[1], name)
			}
		}
	}
}

// A place on a drive takes bytes and does not give them back. The file is
// written again, elsewhere, and the copy is proven; where no place gives them
// back the drive is set aside, and the other one has its copy.
func TestStory_driveWithBadSectors(t *testing.T) {
	inTurn(t, 1)
	t.Parallel()
	const imageBytes = 64 * testbed.MiB
	bad := testbed.MakeImage(t, testbed.Ext4, imageBytes, "NOLABEL", "")
	good := testbed.MakeImage(t, testbed.Ext4, 64*testbed.MiB, "SKERRY_A", "")
	g := testbed.Start(t, testbed.Options{})
	g.CopyIn(daemonBinary(t), "/usr/bin/bothy")
	g.PlugUSB("bad", bad, testbed.USBOptions{})
	g.PlugUSB("good", good, testbed.USBOptions{})
	g.MustRun("modprobe dm-flakey && chmod 755 /usr/bin/bothy && mkdir -p /run/good /run/bad && mount " + g.Node("good") + " /run/good")
	const sectors = int64(imageBytes / sectorBytes)
	// run copies a card of its own to a new file system on the bad drive, and
	// returns where in the image the clip's beginning lies.
	run := func(seed string, ranges ...[2]int64) (end copied, tree Tree, at []int64) {
		tree = NewTree(t, seed, 1, 1, 2)
		g.MustRun("rm -rf /run/source /run/good/20*")
		for name, data := range entries(t, tree.dir) {
			if data == nil {
				g.MustRun("mkdir -p '/run/source/" + name + "'")
			}
		}
		for name, data := range entries(t, tree.dir) {
			if data != nil {
				g.WriteFile("/run/source/"+name, data, 0o644)
			}
		}
		// One block group, so that files are put to the first place that is free.
		g.MustRun("mkfs.ext4 -F -q -b 4096 -m 0 -O ^has_journal " + g.Node("bad"))
		table := tableWith(sectors, g.Node("bad"), ranges, func(from, n int64) string {
			return fmt.Sprintf("%d %d flakey %s %d 0 3600 1 error_reads", from, n, g.Node("bad"), from)
		})
		g.WriteFile("/run/table", []byte(table), 0o644)
		g.MustRun("dmsetup create bad /run/table && udevadm settle && mount -o noatime /dev/mapper/bad /run/bad")
		end = copyByHand(t, g, "/run/source --to /run/bad --to /run/good")
		g.MustRun("umount /run/bad && dmsetup remove --retry bad && sync")
		clip, err := os.ReadFile(filepath.Join(tree.dir, "DCIM/101SKUAS/CLIP0001.MOV"))
		if err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(bad)
		if err != nil {
			t.Fatal(err)
		}
		for from := 0; ; {
			i := bytes.Index(data[from:], clip[:4096])
			if i < 0 {
				return end, tree, at
			}
			at = append(at, int64(from+i)/sectorBytes)
			from += i + 4096
		}
	}
	end, _, at := run("rehearsal")
	if end.Copies[0].State != "proven" || len(at) != 1 {
		t.Fatalf("nothing is wrong yet: %+v; the clip lies at %v", end, at)
	}
	place := [2]int64{at[0] + 64, at[0] + 72} // 32 KiB behind its beginning
	end, tree, again := run("one place", place)
	if end.Copies[0].State != "proven" || end.Copies[1].State != "proven" {
		t.Errorf("with one bad place: %+v", end.Copies)
	}
	if len(again) != 2 || !slices.Contains(again, at[0]) {
		t.Errorf("the clip was first put to %v and lies at %v: it was not written twice", at, again)
	}
	t.Logf("the clip was written to the sectors %v", again)
	g.MustRun("mount -o ro " + g.Node("bad") + " /run/bad && bothy verify /run/bad/20*/* && umount /run/bad")
	Extract(t, testbed.Ext4, bad).MustHoldOnly(t, tree)

	end, _, _ = run("no place", [2]int64{at[0] - at[0]%8, sectors})
	if end.Verdict != "hold" || end.Copies[0].State != "failed" || !strings.Contains(end.Copies[0].Reason, "read back") || end.Copies[1].State != "proven" {
		t.Errorf("with no good place: %+v", end)
	}
	t.Log(end.Copies[0].Reason)
}
