package udev

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
)

// unpack lays the archives testdata/NAME.txtar into a fresh folder, one over the
// other, and returns it as a Tree. NAME/STEP takes only the files below the
// folder STEP of that archive.
//
// An archive holds plain files. A file "X ->" becomes a symbolic link X to what it
// holds. The links of class/block and dev/block are made from the folders that
// have a "dev" file, as the kernel does.
func unpack(t testing.TB, archives ...string) Tree {
	t.Helper()
	dir := t.TempDir()
	tree := Tree{Sys: filepath.Join(dir, "sys"), Run: filepath.Join(dir, "run/udev")}
	lay(t, tree, archives...)
	return tree
}

func lay(t testing.TB, tree Tree, archives ...string) {
	t.Helper()
	makeDir(t, filepath.Join(tree.Sys, "class/block"))
	for _, name := range archives {
		name, step, _ := strings.Cut(name, "/")
		archive, err := txtar.ParseFile(filepath.Join("testdata", name+".txtar"))
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, f := range archive.Files {
			rest := f.Name
			if step != "" {
				var ok bool
				if rest, ok = strings.CutPrefix(rest, step+"/"); !ok {
					continue
				}
			}
			found = true
			layFile(t, tree, rest, string(f.Data))
		}
		if !found {
			t.Fatalf("%s has no files below %q", name, step)
		}
	}
}

func layFile(t testing.TB, tree Tree, name, data string) {
	t.Helper()
	target := filepath.Join(filepath.Dir(tree.Sys), name)
	if link, ok := strings.CutSuffix(target, " ->"); ok {
		makeLink(t, strings.TrimSpace(data), link)
		return
	}
	makeDir(t, filepath.Dir(target))
	if err := os.WriteFile(target, []byte(data), 0o644); err != nil {
		t.Fatal(err)
	}
	if filepath.Base(target) != "dev" {
		return
	}
	dir := strings.TrimPrefix(filepath.Dir(target), tree.Sys)
	makeLink(t, "../.."+dir, filepath.Join(tree.Sys, "class/block", filepath.Base(dir)))
	makeLink(t, "../.."+dir, filepath.Join(tree.Sys, "dev/block", strings.TrimSpace(data)))
}

func makeDir(t testing.TB, dir string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
}

func makeLink(t testing.TB, target, link string) {
	t.Helper()
	makeDir(t, filepath.Dir(link))
	if err := os.Symlink(target, link); err != nil && !os.IsExist(err) {
		t.Fatal(err)
	}
}

// withoutDetail drops what would only repeat a fixture.
func withoutDetail(devices []Device) []Device {
	var list []Device
	for _, d := range devices {
		d.Properties, d.SysPath = nil, ""
		list = append(list, d)
	}
	return list
}

func write(t testing.TB, path, data string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(data), 0o644); err != nil {
		t.Fatal(err)
	}
}
