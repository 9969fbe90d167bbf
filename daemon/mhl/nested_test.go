package mhl

import (
	"os"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/checksum"
)

// addHistory makes a folder with files and a history of its own.
func addHistory(t *testing.T, root *os.Root, dir string, files map[string]string, algorithm string) {
	t.Helper()
	must(t, root.MkdirAll(dir, 0o755))
	inner, err := root.OpenRoot(dir)
	must(t, err)
	defer inner.Close()
	folder(t, inner.Name(), files).Close()
	_, err = Append(inner, generation(t, files, algorithm, Original), nil)
	must(t, err)
}

// Two cards with histories of their own lie in a folder that gets its first:
// what the standard calls nested histories.
func TestAppend_nestedHistories(t *testing.T) {
	t.Parallel()
	cards := map[string]map[string]string{
		"reels/A002": {"clips/A002C006.mov": "one", "sidecar.txt": "s"},
		"reels/A003": {"clips/A003C011.mov": "two", "empty/": ""},
	}
	all := map[string]string{"summary.txt": "all of it"}
	root := tempFolder(t, all)
	for card, files := range cards {
		addHistory(t, root, card, files, checksum.MD5)
		for name, content := range files {
			all[card+"/"+name] = content
		}
	}
	written, err := Append(root, generation(t, all, checksum.XXH64, Verified), nil)
	if err != nil {
		t.Fatal(err)
	}
	accepted(t, root.Name())
	if written.Number != 1 || len(written.Nested) != 2 ||
		written.Nested[1].Path != "reels/A003/ascmhl/0002_A003_2026-11-25_143105Z.mhl" || written.Nested[1].Number != 2 {
		t.Errorf("Append() = %+v", written)
	}
	h, err := Open(root)
	if err != nil {
		t.Fatal(err)
	}
	top := h.Generations[0]
	want := []Reference{{written.Nested[0].Path, written.Nested[0].C4}, {written.Nested[1].Path, written.Nested[1].C4}}
	if d := cmp.Diff(want, top.References); d != "" {
		t.Error(d)
	}
	if len(top.Files) != 1 || top.Files[0].Path != "summary.txt" {
		t.Errorf("the outer history lists %+v, want only its own file", top.Files)
	}
	if d := cmp.Diff([]string{"reels", "reels/A002", "reels/A003"}, top.Dirs); d != "" {
		t.Error(d)
	}
	if known := h.Latest("reels/A002/clips/A002C006.mov"); len(known) != 2 || known[0].Algorithm != checksum.XXH64 || known[1].Algorithm != checksum.MD5 {
		t.Errorf("Latest() = %+v, want xxh64, then md5", known)
	}
	if report, err := Verify(t.Context(), root, nil, nil); err != nil || !report.Proven() || report.Files != 4 {
		t.Errorf("Verify() = %+v, %v", report, err)
	}

	change(t, root, "reels/A002/clips/A002C006.mov", "one", "One")
	must(t, root.Remove("reels/A003/empty"))
	must(t, root.WriteFile("reels/A003/new.txt", nil, 0o644))
	report, err := Verify(t.Context(), root, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([][]string{{"reels/A002/clips/A002C006.mov"}, {"reels/A003/empty/"}, {"reels/A003/new.txt"}},
		[][]string{paths(report.Mismatched), paths(report.Missing), paths(report.Extra)}); d != "" {
		t.Error(d)
	}
}

// A card may carry histories in folders and none of its own.
func TestOpen_onlyNested(t *testing.T) {
	t.Parallel()
	root := tempFolder(t, map[string]string{"loose.txt": "x"})
	addHistory(t, root, "A002", map[string]string{"clip.mov": "one"}, checksum.SHA1)
	h, err := Open(root)
	if err != nil {
		t.Fatal(err)
	}
	if len(h.Generations) != 0 || len(h.Nested) != 1 || len(h.Latest("A002/clip.mov")) != 1 {
		t.Errorf("Open() = %+v", h)
	}
	if h.Covers("loose.txt") || !h.Covers("A002/clip.mov") {
		t.Error("Covers() is wrong")
	}
	if report, err := Verify(t.Context(), root, nil, nil); err != nil || !report.Proven() || len(report.OK) != 1 {
		t.Errorf("Verify() = %+v, %v", report, err)
	}
}

// A nested manifest that changes, with its chain mended, is found out by the
// reference of the outer history.
func TestVerify_nestedManifestRewritten(t *testing.T) {
	t.Parallel()
	root := tempFolder(t, nil)
	addHistory(t, root, "A002", map[string]string{"clip.mov": "one"}, checksum.MD5)
	written, err := Append(root, generation(t, map[string]string{"A002/clip.mov": "one"}, checksum.MD5, Verified), nil)
	must(t, err)
	nested := written.Nested[0]
	change(t, root, nested.Path, "skerry-2", "skerry-9")
	change(t, root, nested.Chain, nested.C4, sumOf(t, checksum.C4, string(read(t, root, nested.Path))))
	report, err := Verify(t.Context(), root, nil, nil)
	if err != nil || len(report.HistoryDamage) != 1 || report.HistoryDamage[0].Path != nested.Path {
		t.Errorf("Verify() = %+v, %v", report, err)
	}
}

func paths(list []Finding) []string {
	names := []string{}
	for _, f := range list {
		names = append(names, f.Path)
	}
	return names
}

// Manifests that no chain names are listed by path, whichever history they lie
// in.
func TestVerify_orphansByPath(t *testing.T) {
	t.Parallel()
	root := tempFolder(t, nil)
	addHistory(t, root, "A002", map[string]string{"clip.mov": "one"}, checksum.MD5)
	written, err := Append(root, generation(t, map[string]string{"A002/clip.mov": "one"}, checksum.MD5, Verified), nil)
	must(t, err)
	want := []string{"A002/ascmhl/0009_lost.mhl", "ascmhl/0009_lost.mhl"}
	for _, name := range want {
		must(t, root.WriteFile(name, read(t, root, written.Path), 0o644))
	}
	report, err := Verify(t.Context(), root, nil, nil)
	if err != nil || !slices.Equal(report.Orphans, want) || !report.Proven() {
		t.Errorf("Verify() = %+v, %v; want orphans %q", report, err, want)
	}
}
