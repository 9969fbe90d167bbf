package stories

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// What the oracle of every story finds, on media that no guest has touched.
func TestOracle_ofStories(t *testing.T) {
	tree, foreign, base := NewTree(t, "oracle", 2, 0, 0), Tree{t.TempDir()}, t.TempDir()
	foreign.Add(t, "note.txt", "foreign", 100)
	full := filepath.Join(base, "full")
	shell(t, `mkdir "$1" && cp -Rp "$0/." "$1"`, foreign.dir, full)
	// One copy: proven, and no release.
	if out, err := exec.Command(daemonBinary(t), "copy", tree.dir, "--to", full, "--checksum", "md5").CombinedOutput(); err != nil {
		t.Fatalf("copy: %v: %s", err, out)
	}
	image := func(name, label, content string) string {
		made := testbed.MakeImage(t, testbed.FAT32, 36*testbed.MiB, label, content)
		place := filepath.Join(base, name)
		shell(t, `cp --sparse=always "$0" "$1"`, made, place)
		return place
	}
	fill := func(place, label, content string) {
		image(filepath.Base(place), label, content)
	}
	for name, tt := range map[string]struct {
		spoil func(b *Box, card, driveA, driveB string)
		want  string
	}{
		"nothing is wrong": {func(*Box, string, string, string) {}, ""},
		"a copy is missing": {func(_ *Box, _, _, b string) { fill(b, "SKERRY_B", foreign.dir) },
			"on 1 disks of 2"},
		"the card is written": {func(_ *Box, card, _, _ string) {
			if err := testbed.MutateImage(card, 20*testbed.MiB, []byte("x")); err != nil {
				t.Fatal(err)
			}
		}, "card SKUA_O1 was written"},
		"something of before is lost": {func(_ *Box, _, a, _ string) { shell(t, `mdel -i "$0" ::/note.txt`, a) }, `"note.txt" is lost`},
		"windows disagree":            {func(b *Box, _, _, _ string) { b.differs = []string{"so they do"} }, "so they do"},
		"a release of another card":   {func(b *Box, _, _, _ string) { b.said[0].Card = "SKUA_O2" }, "nobody knows"},
	} {
		b := &Box{t: t, copies: 2, wards: map[string][]ward{}, said: []Said{{Window: "light", Card: "SKUA_O1", When: "then"}}}
		card := image("card", "SKUA_O1", tree.dir)
		places := []string{image("a", "SKERRY_A", foreign.dir), image("b", "SKERRY_B", foreign.dir)}
		for _, place := range append([]string{card}, places...) {
			b.guard(place)
		}
		fill(places[0], "SKERRY_A", full)
		fill(places[1], "SKERRY_B", full)
		tt.spoil(b, card, places[0], places[1])
		got := strings.Join(b.violations(), "\n")
		if tt.want == "" && got != "" || !strings.Contains(got, tt.want) {
			t.Errorf("%s: %q, want %q among it", name, got, tt.want)
		}
		for _, place := range append([]string{card}, places...) {
			os.Remove(place)
		}
	}
}

// shell runs a line with arguments $0, $1 ... on this host.
func shell(t *testing.T, line string, args ...string) {
	t.Helper()
	if out, err := exec.Command("sh", append([]string{"-ec", line}, args...)...).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", line, err, out)
	}
}
