package daemon

import (
	"encoding/xml"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bothy/daemon/checksum"
	"bothy/daemon/mhl"
	"bothy/testdata/judges"
)

// carried lists the files of cards that stand on a shuttle below finished folders,
// by folder without its day, and fails for anything else that is there.
func carried(t *testing.T, d *simMedium) (files []string) {
	t.Helper()
	err := filepath.WalkDir(d.dir, func(name string, entry fs.DirEntry, err error) error {
		rel, _ := filepath.Rel(d.dir, name)
		if err != nil || entry.IsDir() {
			return err
		}
		parts := strings.Split(rel, "/")
		switch {
		case strings.HasPrefix(rel, ".bothy/"):
			if rel != ".bothy/drive.toml" {
				t.Errorf("%s is hidden on it", rel)
			}
		case strings.Contains(rel, ".unfinished"):
			t.Errorf("%s is unfinished", rel)
		case strings.HasPrefix(rel, "reports/"), rel == mhl.CollectionName, slices.Contains(parts, mhl.FolderName):
		case len(parts) > 2:
			files = append(files, folderKind(parts[1])+strings.Join(parts[2:], "/"))
		default:
			t.Errorf("%s is on it", rel)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	slices.Sort(files)
	return files
}

// folderKind is "part/" or "", as the folder is called.
func folderKind(name string) string {
	if _, part, ok := strings.Cut(name, ".part"); ok {
		return "part" + part + "/"
	}
	return ""
}

// soundDelivery holds what is on a shuttle against the cards' bytes, the standard's
// schemas and the checksum programs of others.
func soundDelivery(t *testing.T, d *simMedium, cards ...*simMedium) {
	t.Helper()
	xmllint, xxhsum := judges.Need(t, "xmllint"), judges.Need(t, "xxhsum")
	validate := func(schema, name string) {
		if out, err := exec.Command(xmllint, "--noout", "--nonet", "--schema", filepath.Join("../testdata/standards", schema), name).CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
	}
	folders := map[string]string{} // the newest manifest by folder
	for _, name := range slices.Sorted(maps.Keys(d.tree())) {
		full := filepath.Join(d.dir, name)
		switch {
		case strings.HasSuffix(name, ".mhl"):
			validate("ASCMHL.xsd", full)
			folders[filepath.Dir(filepath.Dir(full))] = full
		case filepath.Base(name) == mhl.ChainName, name == mhl.CollectionName:
			validate("ASCMHLDirectory.xsd", full)
		}
	}
	for folder, newest := range folders {
		listedBy(t, xxhsum, folder, newest, cards)
	}
	var collection struct {
		Lists []struct {
			Path string `xml:"path"`
			C4   string `xml:"c4"`
		} `xml:"hashlist"`
	}
	readXML(t, filepath.Join(d.dir, mhl.CollectionName), &collection)
	var named []string
	for _, l := range collection.Lists {
		name := filepath.Join(d.dir, l.Path)
		if h := mustSum(t, checksum.C4, name); h != l.C4 {
			t.Errorf("%s has %s, the collection says %s", l.Path, h, l.C4)
		}
		named = append(named, name)
	}
	slices.Sort(named)
	if want := slices.Sorted(maps.Values(folders)); !slices.Equal(named, want) {
		t.Errorf("the collection names %v, want %v", named, want)
	}
}

func readXML(t *testing.T, name string, into any) {
	t.Helper()
	data, err := os.ReadFile(name)
	if err == nil {
		err = xml.Unmarshal(data, into)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func mustSum(t *testing.T, algorithm, name string) string {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	h, err := checksum.New(algorithm)
	if err != nil {
		t.Fatal(err)
	}
	h.Write(data)
	return h.Sum()
}

// listedBy: the newest manifest lists exactly the files of its folder, with the
// checksums that xxhsum gives them, and they are the cards' bytes.
func listedBy(t *testing.T, xxhsum, folder, manifest string, cards []*simMedium) {
	t.Helper()
	var list struct {
		Hashes []struct {
			Path   string `xml:"path"`
			XXH128 string `xml:"xxh128"`
		} `xml:"hashes>hash"`
	}
	readXML(t, manifest, &list)
	var listed, there []string
	for _, h := range list.Hashes {
		listed = append(listed, h.Path)
		out, err := exec.Command(xxhsum, "-H128", filepath.Join(folder, h.Path)).Output()
		sum, _, _ := strings.Cut(strings.TrimPrefix(string(out), "\\"), " ")
		if err != nil || sum != h.XXH128 {
			t.Errorf("%s: xxhsum says %q, %v; the manifest says %s", h.Path, out, err, h.XXH128)
		}
		data, err := os.ReadFile(filepath.Join(folder, h.Path))
		if err != nil || !slices.ContainsFunc(cards, func(c *simMedium) bool { return string(c.files[h.Path]) == string(data) }) {
			t.Errorf("%s is not what a card held (%v)", h.Path, err)
		}
	}
	err := filepath.WalkDir(folder, func(name string, entry fs.DirEntry, err error) error {
		if rel, _ := filepath.Rel(folder, name); err == nil && !entry.IsDir() && !strings.HasPrefix(rel, "ascmhl/") {
			there = append(there, rel)
		}
		return err
	})
	slices.Sort(listed)
	slices.Sort(there)
	if err != nil || !slices.Equal(listed, there) {
		t.Errorf("the manifest lists %v, there is %v (%v)", listed, there, err)
	}
}
