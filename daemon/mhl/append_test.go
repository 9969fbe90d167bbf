package mhl

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/checksum"
)

func TestAppend_thenVerify(t *testing.T) {
	t.Parallel()
	for _, algorithm := range checksum.Names() {
		t.Run(algorithm, func(t *testing.T) {
			t.Parallel()
			files := survey()
			files["EMPTY/"] = ""
			root := tempFolder(t, files)
			written, err := Append(root, generation(t, files, algorithm, Original), nil)
			if err != nil {
				t.Fatal(err)
			}
			if want := "ascmhl/0001_skua-A003_20261125T1431Z_2026-11-25_143105Z.mhl"; written.Path != want || written.Number != 1 {
				t.Errorf("Append() = %+v, want %s", written, want)
			}
			if got := sumOf(t, checksum.C4, string(read(t, root, written.Path))); got != written.C4 {
				t.Errorf("C4 of the manifest is %s, Append said %s", got, written.C4)
			}
			written, err = Append(root, generation(t, files, algorithm, Verified), nil)
			if err != nil || written.Number != 2 {
				t.Fatalf("second Append() = %+v, %v", written, err)
			}
			accepted(t, root.Name())
			report, err := Verify(t.Context(), root, nil, nil)
			if err != nil || !report.Proven() || len(report.OK) != 4 || report.Files != 4 {
				t.Errorf("Verify() = %+v, %v", report, err)
			}
		})
	}
}

func TestAppend_saysWhatWasGiven(t *testing.T) {
	t.Parallel()
	files := survey()
	root := tempFolder(t, files)
	g := generation(t, files, checksum.XXH128, Original)
	g.ClockTrusted = false
	g.Creator = Creator{"bothy", "1.2", "skerry-2", "A. Guillemot", "north ledge", "first day"}
	g.Ignore = []string{".Trashes/", "ascmhl", "*.tmp"}
	g.Files[0].Others = map[string]string{checksum.MD5: sumOf(t, checksum.MD5, files[g.Files[0].Path])}
	if _, err := Append(root, g, nil); err != nil {
		t.Fatal(err)
	}
	accepted(t, root.Name())
	h, err := Open(root)
	if err != nil {
		t.Fatal(err)
	}
	got := h.Generations[0].Generation
	want := g
	want.Files = slices.Clone(g.Files)
	want.Folder, want.ClockTrusted = "", false // neither is in a manifest
	want.Creator.Comment += " " + untrusted
	want.Ignore = []string{".DS_Store", "ascmhl", "ascmhl/", ".Trashes/", "*.tmp"}
	want.Dirs = []string{"CLIPS", "CLIPS/A003", "DCIM", "DCIM/100SKUA_"}
	// The file's own value is the first one in the schema's order.
	md5 := want.Files[0]
	md5.Algorithm, md5.Value, md5.Others = checksum.MD5, md5.Others[checksum.MD5], map[string]string{md5.Algorithm: md5.Value}
	want.Files[0] = md5
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	known := h.Latest(g.Files[0].Path)
	if len(known) != 2 || known[0].Algorithm != checksum.MD5 || known[1].Value != g.Files[0].Value {
		t.Errorf("Latest() = %+v", known)
	}
}

func TestAppend_leavesOutWhatPatternsSay(t *testing.T) {
	t.Parallel()
	files := map[string]string{"a.mov": "a", ".DS_Store": "x", "b/.DS_Store": "x", "c.tmp": "x", ".Trashes/d": "x"}
	root := tempFolder(t, files)
	g := generation(t, files, checksum.XXH64, Original)
	g.Dirs = []string{".Trashes", "b"}
	g.Ignore = []string{"*.tmp", ".Trashes/"}
	written, err := Append(root, g, nil)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]string{".DS_Store", ".Trashes/d", "b/.DS_Store", "c.tmp"}, written.LeftOut); d != "" {
		t.Error(d)
	}
	report, err := Verify(t.Context(), root, nil, nil)
	if err != nil || !report.Proven() {
		t.Errorf("ignored files count as extra: %+v, %v", report, err)
	}
	if d := cmp.Diff([]string{"a.mov"}, report.OK); d != "" {
		t.Error(d)
	}
}

// A card without any file: the schema demands an entry all the same.
func TestAppend_nothingAtAll(t *testing.T) {
	t.Parallel()
	root := tempFolder(t, nil)
	if _, err := Append(root, generation(t, nil, checksum.XXH128, Original), nil); err != nil {
		t.Fatal(err)
	}
	accepted(t, root.Name())
	report, err := Verify(t.Context(), root, nil, nil)
	if err != nil || !report.Proven() || report.Files != 0 {
		t.Errorf("Verify() = %+v, %v", report, err)
	}
}

func TestAppend_refuses(t *testing.T) {
	t.Parallel()
	tests := map[string]struct {
		spoil func(*Generation)
		want  string
	}{
		"no folder":      {func(g *Generation) { g.Folder = "" }, "name of its folder"},
		"folder path":    {func(g *Generation) { g.Folder = "../x" }, "name of its folder"},
		"no date":        {func(g *Generation) { g.At = time.Time{} }, "a date"},
		"process":        {func(g *Generation) { g.Process = "copy" }, "process"},
		"action":         {func(g *Generation) { g.Files[0].Action = "new" }, "action"},
		"algorithm":      {func(g *Generation) { g.Files[0].Algorithm = "crc32" }, "unknown checksum"},
		"no algorithm":   {func(g *Generation) { g.Files[0].Algorithm = "" }, "missing"},
		"value":          {func(g *Generation) { g.Files[0].Value = "beef" }, "instead of"},
		"two values":     {func(g *Generation) { g.Files[0].Others = map[string]string{"xxh64": "0"} }, "twice"},
		"twice":          {func(g *Generation) { g.Files = append(g.Files, g.Files[0]) }, "twice"},
		"file in file":   {func(g *Generation) { g.Dirs = []string{g.Files[0].Path} }, "also listed as a folder"},
		"climbing":       {func(g *Generation) { g.Files[0].Path = "../x" }, "carry"},
		"absolute":       {func(g *Generation) { g.Files[0].Path = "/etc/x" }, "carry"},
		"control":        {func(g *Generation) { g.Files[0].Path = "a\x01b" }, "carry"},
		"invalid UTF-8":  {func(g *Generation) { g.Files[0].Path = "a\xffb" }, "carry"},
		"control folder": {func(g *Generation) { g.Dirs = []string{"a\x1bb"} }, "carry"},
		"pattern":        {func(g *Generation) { g.Ignore = []string{"a\x01"} }, "patterns"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			root := tempFolder(t, survey())
			g := generation(t, survey(), checksum.XXH64, Original)
			tt.spoil(&g)
			_, err := Append(root, g, nil)
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("Append() = %v, want %q", err, tt.want)
			}
			if _, err := root.Lstat(FolderName); err == nil {
				t.Error("a refused Append made the ascmhl folder")
			}
		})
	}
}
