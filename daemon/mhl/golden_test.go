package mhl

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/checksum"
)

var update = flag.Bool("update", false, "write the golden files anew")

// What is written, to the byte: two generations around a nested history, with
// everything in them that a generation can say. Manifests lie on drives for
// decades, so a change of their form is a decision and not an accident. That
// the form is the standard's, the schemas judge.
func TestAppend_golden(t *testing.T) {
	t.Parallel()
	files := survey()
	files["EMPTY/"], files["CLIPS/B001/B001C001.MOV"], files["clips.txt"] = "", "gannets", "which clip shows what"
	root := tempFolder(t, files)
	inner, err := root.OpenRoot("CLIPS/A003")
	must(t, err)
	defer inner.Close()
	_, err = Append(inner, generation(t, map[string]string{"A003C001.MOV": files["CLIPS/A003/A003C001.MOV"]}, checksum.XXH64, Original), nil)
	must(t, err)

	g := generation(t, files, checksum.XXH128, Original)
	for i := range g.Files {
		f := &g.Files[i]
		f.Others = map[string]string{checksum.C4: sumOf(t, checksum.C4, files[f.Path]),
			checksum.MD5: strings.ToUpper(sumOf(t, checksum.MD5, files[f.Path]))}
		f.HashedAt = noon.Add(time.Duration(i/2) * 1500 * time.Millisecond)
	}
	g.Files[0].Action, g.Files[1].SizeBytes, g.Files[2].ModTime = Failed, -1, time.Time{}
	g.Files[3].PreviousPath = "DCIM/before.JPG"
	g.Creator = Creator{"bothy", "1.2 <test>", "skerry-2", `A. "Guillemot" & sons`, "north ledge", "first day"}
	g.ClockTrusted, g.Ignore = false, []string{".Trashes/", "*.tmp"}
	first, err := Append(root, g, nil)
	must(t, err)
	second, err := Append(root, generation(t, files, checksum.XXH64, Verified), nil)
	must(t, err)
	accepted(t, root.Name())

	for golden, name := range map[string]string{
		"written-first.mhl": first.Path, "written-nested.mhl": first.Nested[0].Path,
		"written-second.mhl": second.Path, "written-chain.xml": second.Chain,
	} {
		golden := filepath.Join("testdata", golden)
		if *update {
			must(t, os.WriteFile(golden, read(t, root, name), 0o644))
		}
		want, err := os.ReadFile(golden)
		must(t, err)
		if d := cmp.Diff(string(want), string(read(t, root, name))); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}
