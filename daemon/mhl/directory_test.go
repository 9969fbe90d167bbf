package mhl

import (
	"cmp"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"bothy/daemon/checksum"
)

// folderHash has a folder's two values by algorithm.
type folderHash struct{ Content, Structure map[string]string }

// folderHashes gives those of every folder and, under ".", of the root.
func folderHashes(files []FileHash, dirs []string) (map[string]folderHash, error) {
	for i := range files {
		files[i].Action = Original
	}
	root := newHistory(".")
	p, err := newPlan(Generation{Folder: "x", Process: Transfer, At: noon, Files: files, Dirs: dirs}, histories{".": root})
	if err != nil {
		return nil, err
	}
	all := map[string]folderHash{}
	for folder, dir := range p.folders.paths {
		hash := folderHash{map[string]string{}, map[string]string{}}
		for i := range p.folders.set.all() {
			for which, values := range []map[string]string{hash.Content, hash.Structure} {
				if values[algorithms[i]], err = checksum.Encode(algorithms[i], p.folders.slot(folder, i, which)); err != nil {
					return nil, err
				}
			}
		}
		all[dir] = hash
	}
	return all, nil
}

// The worked example of the public reference implementation of the American
// Society of Cinematographers (github.com/ascmitc/mhl, examples/scenarios,
// scenario 05, commit 5970ecbd): two folders of two clips and a text each, and
// a text beside them. Its file values and names go in; every folder's and the
// root's values are the published ones. That release and this program use the
// structure rule of the specification; older releases printed other structure
// values.
func TestFolderHashes_publishedExample(t *testing.T) {
	t.Parallel()
	file := func(name, value string) FileHash {
		return FileHash{Path: name, Algorithm: checksum.XXH64, Value: value}
	}
	files := []FileHash{
		file("A002R2EC/Clips/A002C006_141024_R2EC.mov", "0ea03b369a463d9d"),
		file("A002R2EC/Clips/A002C007_141024_R2EC.mov", "7680e5f98f4a80fd"),
		file("A002R2EC/Sidecar.txt", "3ab5a4166b9bde44"),
		file("A003R2EC/Clips/A003C011_141024_R2EC.mov", "52392f79a36d6571"),
		file("A003R2EC/Clips/A003C012_141024_R2EC.mov", "5dbca064ddddd6fc"),
		file("A003R2EC/Sidecar.txt", "e5dda75a353d8b34"),
		file("Summary.txt", "0ac48e431d4538ba"),
	}
	got, err := folderHashes(files, []string{"A002R2EC", "A002R2EC/Clips", "A003R2EC", "A003R2EC/Clips"})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]struct{ content, structure string }{
		"A002R2EC/Clips": {content: "4c226b42e27d7af3"},
		"A002R2EC":       {"8d02114c32e28cbe", "f557f8ca8e5a88ef"},
		"A003R2EC/Clips": {content: "f2afc6434255a53d"},
		"A003R2EC":       {"7a82373c131cf40a", "1131a950fcc55e4b"},
		".":              {"92950bc8fda076ec", "2c2ce52605558158"},
	}
	for dir, hash := range want {
		if c := got[dir].Content[checksum.XXH64]; c != hash.content {
			t.Errorf("%s: content %s, want %s", dir, c, hash.content)
		}
		if s := got[dir].Structure[checksum.XXH64]; hash.structure != "" && s != hash.structure {
			t.Errorf("%s: structure %s, want %s", dir, s, hash.structure)
		}
	}
}

// The same source, scenario 03, for md5; its release's content values only.
func TestFolderHashes_publishedExampleInMD5(t *testing.T) {
	t.Parallel()
	got, err := folderHashes([]FileHash{
		{Path: "Clips/A002C006_141024_R2EC.mov", Algorithm: checksum.MD5, Value: "f5ac8127b3b6b85cdc13f237c6005d80"},
		{Path: "Clips/A002C007_141024_R2EC.mov", Algorithm: checksum.MD5, Value: "614dd0e977becb4c6f7fa99e64549b12"},
		{Path: "Sidecar.txt", Algorithm: checksum.MD5, Value: "6425c5a180ca0f420dd2b25be4536a91"},
	}, []string{"Clips"})
	if err != nil {
		t.Fatal(err)
	}
	for dir, want := range map[string]string{
		"Clips": "202a2d71b56b080d9b089c1f4f29a4ba", ".": "6fae2da9bc6dca45486cb91bfea6db70",
	} {
		if c := got[dir].Content[checksum.MD5]; c != want {
			t.Errorf("%s: content %s, want %s", dir, c, want)
		}
	}
}

// Content doesn't change with a name, structure does; an empty folder is the
// hash of nothing (xxHash project, sanity value of empty input).
func TestFolderHashes_renameAndEmpty(t *testing.T) {
	t.Parallel()
	one := func(name string) map[string]folderHash {
		got, err := folderHashes([]FileHash{{Path: name, Algorithm: checksum.XXH64, Value: "0ea03b369a463d9d"}}, []string{"empty"})
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	a, b := one("skua.jpg"), one("gannet.jpg")
	if a["."].Content[checksum.XXH64] != b["."].Content[checksum.XXH64] {
		t.Error("content changes with a name")
	}
	if a["."].Structure[checksum.XXH64] == b["."].Structure[checksum.XXH64] {
		t.Error("structure doesn't change with a name")
	}
	if got := a["empty"].Content[checksum.XXH64]; got != "ef46db3751d8e999" {
		t.Errorf("empty folder: %s", got)
	}
}

func TestFolderHashes_onlyCommonAlgorithms(t *testing.T) {
	t.Parallel()
	files := []FileHash{
		{Path: "a", Algorithm: checksum.XXH64, Value: "0ea03b369a463d9d", Others: map[string]string{checksum.MD5: "f5ac8127b3b6b85cdc13f237c6005d80"}},
		{Path: "b", Algorithm: checksum.MD5, Value: "614dd0e977becb4c6f7fa99e64549b12"},
		{Path: "c", Algorithm: checksum.XXH3, Value: "0ea03b369a463d9d", Others: map[string]string{checksum.MD5: "6425c5a180ca0f420dd2b25be4536a91"}},
	}
	got, err := folderHashes(files, nil)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(got["."].Content); n != 1 || got["."].Content[checksum.MD5] == "" {
		t.Errorf("%v, want md5 only", got["."].Content)
	}
}

// plainHashes computes a folder's hashes by the words of the specification,
// with everything in memory: content is the hash of the digests of what lies
// in the folder, in the order of their spelling; structure that of the hashes
// of each name followed by the digest.
func plainHashes(t tb, algorithm string, files map[string]string, dir string, all map[string][2]string) (content, structure string) {
	var contents, structures []string
	member := func(name, content, structure string) {
		h, err := checksum.New(algorithm)
		must(t, err)
		digest, err := checksum.Decode(algorithm, structure)
		must(t, err)
		h.Write(append([]byte(name), digest...))
		contents, structures = append(contents, content), append(structures, h.Sum())
	}
	children := map[string]bool{}
	for name, text := range files {
		local, ok := strings.CutPrefix(name, dir)
		first, _, deeper := strings.Cut(local, "/")
		switch {
		case !ok || local == "" || children[first]:
		case !deeper:
			member(first, sumOf(t, algorithm, text), sumOf(t, algorithm, text))
		default:
			children[first] = true
			c, s := plainHashes(t, algorithm, files, dir+first+"/", all)
			member(first, c, s)
		}
	}
	sum := func(values []string) string {
		slices.Sort(values)
		h, err := checksum.New(algorithm)
		must(t, err)
		for _, value := range values {
			digest, err := checksum.Decode(algorithm, value)
			must(t, err)
			h.Write(digest)
		}
		return h.Sum()
	}
	content, structure = sum(contents), sum(structures)
	all[cmp.Or(strings.TrimSuffix(dir, "/"), ".")] = [2]string{content, structure}
	return content, structure
}

// For any tree and algorithm, folders hashed while files come by have the
// values that they have when all is looked at together.
func TestFolderHashes_anyTree(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		files := drawTree(rt)
		algorithm := rapid.SampledFrom(checksum.Names()).Draw(rt, "algorithm")
		g := generation(rt, files, algorithm, Original)
		if len(g.Files) == 0 {
			algorithm = checksum.XXH128 // there is none that files have
		}
		for i := range g.Files { // others, of which some aren't common to all
			if other := rapid.SampledFrom(checksum.Names()).Draw(rt, "other"); other != algorithm {
				g.Files[i].Others = map[string]string{other: sumOf(rt, other, files[g.Files[i].Path])}
			}
		}
		got, err := folderHashes(g.Files, g.Dirs)
		must(rt, err)
		want := map[string][2]string{}
		plainHashes(rt, algorithm, files, "", want)
		if len(got) != len(want) {
			rt.Fatalf("%d folders, want %d", len(got), len(want))
		}
		for dir, hashes := range want {
			if c, s := got[dir].Content[algorithm], got[dir].Structure[algorithm]; c != hashes[0] || s != hashes[1] {
				rt.Fatalf("%s: %s and %s, want %v", dir, c, s, hashes)
			}
		}
	})
}
