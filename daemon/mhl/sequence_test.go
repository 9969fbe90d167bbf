package mhl

import (
	"cmp"
	"errors"
	"fmt"
	"iter"
	"maps"
	"math/rand"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"bothy/daemon/checksum"
)

// drawTree draws files and empty folders, with names among which a byte before
// the slash decides the order.
func drawTree(t *rapid.T) map[string]string {
	element := rapid.SampledFrom([]string{"a", "a b", "a-", "a.x", "aa", "b", "æ", "<&>"})
	files, taken := map[string]string{}, map[string]bool{}
	for range rapid.IntRange(0, 14).Draw(t, "files") {
		elements := rapid.SliceOfN(element, 1, 4).Draw(t, "path")
		name, free := strings.Join(elements, "/"), true
		for i := range elements {
			above := strings.Join(elements[:i+1], "/")
			_, file := files[above]
			free = free && !file
		}
		if !free || taken[name] {
			continue
		}
		for i := range elements[:len(elements)-1] {
			taken[strings.Join(elements[:i+1], "/")] = true
		}
		if rapid.IntRange(0, 9).Draw(t, "empty") == 0 {
			files[name+"/"], taken[name] = "", true
			continue
		}
		files[name] = rapid.StringN(0, 5, 9).Draw(t, "content")
	}
	return files
}

// below gives what of files lies in dir, with paths from there.
func below(files map[string]string, dir string) map[string]string {
	inner := map[string]string{}
	for name, content := range files {
		if local, ok := strings.CutPrefix(name, dir+"/"); ok && local != "" {
			inner[local] = content
		}
	}
	return inner
}

// written gives every file in dir's ascmhl folders.
func written(t tb, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	must(t, filepath.WalkDir(dir, func(name string, entry os.DirEntry, err error) error {
		if err != nil || entry.IsDir() || filepath.Base(filepath.Dir(name)) != FolderName {
			return err
		}
		data, err := os.ReadFile(name)
		all[strings.TrimPrefix(name, dir)] = string(data)
		return err
	}))
	return all
}

// unflushed makes every change but those that take time and can't be seen.
type unflushed struct{}

func (unflushed) Do(step Step, change func() error) error {
	if step.Op == OpSync || step.Op == OpSyncDir {
		return nil
	}
	return change()
}

// A slice, a sequence in order and one out of order make the same manifests,
// byte by byte, with and without histories in folders; and they prove the
// folder.
func TestAppend_sequenceEqualsSlice(t *testing.T) {
	t.Parallel()
	base, number := t.TempDir(), 0
	rapid.Check(t, func(rt *rapid.T) {
		files := drawTree(rt)
		var nested []string
		for _, dir := range []string{"a", "a/a", "a b", "b"} {
			if len(below(files, dir)) > 0 && rapid.Bool().Draw(rt, "nested") {
				nested = append(nested, dir)
			}
		}
		algorithm := rapid.SampledFrom(checksum.Names()).Draw(rt, "algorithm")
		g := generation(rt, files, algorithm, Original)
		for i := range g.Files {
			if other := rapid.SampledFrom(checksum.Names()).Draw(rt, "other"); other != algorithm && rapid.Bool().Draw(rt, "two") {
				g.Files[i].Others = map[string]string{other: sumOf(rt, other, files[g.Files[i].Path])}
			}
		}
		random := rand.New(rand.NewSource(rapid.Int64().Draw(rt, "order")))
		shuffled, ordered := slices.Clone(g.Files), slices.Clone(g.Files)
		random.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		slices.SortFunc(ordered, func(a, b FileHash) int { return comparePaths(a.Path, b.Path) })
		var all []map[string]string
		for name, give := range map[string]func(*Generation){
			"slice":        func(g *Generation) { g.Files = shuffled },
			"in order":     func(g *Generation) { g.Files, g.Each = nil, slices.Values(ordered) },
			"out of order": func(g *Generation) { g.Files, g.Each = nil, slices.Values(shuffled) },
		} {
			number++
			dir := filepath.Join(base, fmt.Sprint(number))
			must(rt, os.Mkdir(dir, 0o755))
			defer os.RemoveAll(dir)
			root := folder(rt, dir, files)
			defer root.Close()
			for _, inner := range nested {
				r, err := root.OpenRoot(inner)
				must(rt, err)
				_, err = Append(r, generation(rt, below(files, inner), checksum.MD5, Original), unflushed{})
				must(rt, errors.Join(err, r.Close()))
			}
			g := g
			give(&g)
			_, err := Append(root, g, unflushed{})
			must(rt, err)
			report, err := Verify(t.Context(), root, nil, nil)
			must(rt, err)
			if !report.Proven() || report.Files != len(ordered) {
				rt.Fatalf("%s: Verify() = %+v", name, report)
			}
			all = append(all, written(rt, dir))
		}
		if d := gocmp.Diff(all[0], all[1]) + gocmp.Diff(all[0], all[2]); d != "" {
			rt.Fatal(d)
		}
	})
}

// The order is that of the elements' bytes, one folder after the other.
func TestComparePaths_byElements(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		path := rapid.StringMatching(`[ab .!/\x01]{0,5}`)
		a, b := path.Draw(rt, "a"), path.Draw(rt, "b")
		want := slices.Compare(strings.Split(a, "/"), strings.Split(b, "/"))
		if got := comparePaths(a, b); cmp.Compare(got, 0) != want {
			rt.Fatalf("comparePaths(%q, %q) = %d, want %d", a, b, got, want)
		}
	})
}

// A sequence that says something else the second time must not become a
// manifest whose folders don't fit its files.
func TestAppend_sequenceChanges(t *testing.T) {
	t.Parallel()
	files := map[string]string{"a.mov": "one", "inner/b.mov": "two", "inner/c.mov": "three", "z.mov": "four"}
	tests := map[string]struct {
		spoil func([]FileHash) []FileHash
		want  error
	}{
		"value":                     {func(f []FileHash) []FileHash { f[0].Value = f[1].Value; return f }, errChanged},
		"value in a nested history": {func(f []FileHash) []FileHash { f[1].Value = f[0].Value; return f }, errChanged},
		"another path":              {func(f []FileHash) []FileHash { f[0].Path = "b.mov"; return f }, errChanged},
		"one less":                  {func(f []FileHash) []FileHash { return f[:3] }, errChanged},
		"none":                      {func([]FileHash) []FileHash { return nil }, errChanged},
		"one more":                  {func(f []FileHash) []FileHash { f = append(f, f[0]); f[4].Path = "zz.mov"; return f }, errChanged},
		"order":                     {func(f []FileHash) []FileHash { f[3].Path = "b.mov"; return f }, errOrder},
		"not a value":               {func(f []FileHash) []FileHash { f[3].Algorithm = "crc32"; return f }, checksum.ErrUnknown},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			root := tempFolder(t, files)
			inner, err := root.OpenRoot("inner")
			must(t, err)
			_, err = Append(inner, generation(t, below(files, "inner"), checksum.XXH64, Original), nil)
			must(t, errors.Join(err, inner.Close()))
			g := generation(t, files, checksum.XXH64, Verified)
			first := slices.Values(g.Files)
			second := slices.Values(tt.spoil(slices.Clone(g.Files)))
			g.Files = nil
			passes := 0
			g.Each = func(yield func(FileHash) bool) {
				now := iter.Seq[FileHash](first)
				if passes++; passes > 1 {
					now = second
				}
				now(yield)
			}
			if _, err := Append(root, g, nil); !errors.Is(err, tt.want) {
				t.Fatalf("Append() = %v, want %v", err, tt.want)
			}
			if h, err := Open(root); err != nil || len(h.Generations)+len(h.Orphans) != 0 {
				t.Errorf("Open() = %+v, %v, want no generation", h, err)
			}
			for name := range written(t, root.Name()) {
				if strings.HasPrefix(name, "/"+FolderName) && numberOf(filepath.Base(name)) > 0 {
					t.Errorf("%s was written", name)
				}
			}
		})
	}
}

// Whoever hands over a slice finds it again as it was: four drives share one.
func TestAppend_leavesTheSliceAlone(t *testing.T) {
	t.Parallel()
	files := survey()
	g := generation(t, files, checksum.MD5, Original)
	slices.Reverse(g.Files)
	for i := range g.Files {
		g.Files[i].Value = strings.ToUpper(g.Files[i].Value)
	}
	g.Dirs = []string{"b", "a"}
	before := g
	before.Files, before.Dirs = slices.Clone(g.Files), slices.Clone(g.Dirs)
	root := tempFolder(t, files)
	_, err := Append(root, g, nil)
	must(t, err)
	if d := gocmp.Diff(before, g); d != "" {
		t.Error(d)
	}
	h, err := OpenIndex(t.Context(), root, nil)
	must(t, err)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if known := h.Latest(name); len(known) != 1 || known[0].Value != sumOf(t, checksum.MD5, files[name]) {
			t.Errorf("Latest(%s) = %+v", name, known)
		}
	}
	if n := h.Generations[0]; n.Files != nil || n.Dirs != nil || n.Number != 1 {
		t.Errorf("OpenIndex() = %+v, want no files and folders", n)
	}
}
