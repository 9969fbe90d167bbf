package stories

import (
	"encoding/xml"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// manifest is as much of an ASC MHL v1.0 manifest as a check by hand needs.
type manifest struct {
	Hashes []struct {
		Path   string `xml:"path"`
		XXH128 string `xml:"xxh128"`
		XXH64  string `xml:"xxh64"`
		XXH3   string `xml:"xxh3"`
		MD5    string `xml:"md5"`
		SHA1   string `xml:"sha1"`
	} `xml:"hashes>hash"`
}

// MustValidate proves a copy again from its own history with programs that
// know nothing of ours: xmllint with the standard's schemas, and xxhsum,
// md5sum and sha1sum for every checksum.
func MustValidate(t *testing.T, copy string) {
	t.Helper()
	schemas, err := filepath.Abs("../standards")
	if err != nil {
		t.Fatal(err)
	}
	xmllint(t, filepath.Join(schemas, "ASCMHLDirectory.xsd"), filepath.Join(copy, "ascmhl", "ascmhl_chain.xml"))
	manifests, err := filepath.Glob(filepath.Join(copy, "ascmhl", "*.mhl"))
	if err != nil || len(manifests) == 0 {
		t.Fatalf("%s has no manifest: %v", copy, err)
	}
	listed := map[string]bool{}
	for _, file := range manifests {
		xmllint(t, filepath.Join(schemas, "ASCMHL.xsd"), file)
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var m manifest
		if err := xml.Unmarshal(data, &m); err != nil {
			t.Fatal(err)
		}
		for _, h := range m.Hashes {
			listed[h.Path] = true
			recompute(t, copy, h.Path, []string{"xxhsum", "-H128"}, h.XXH128)
			recompute(t, copy, h.Path, []string{"xxhsum", "-H64"}, h.XXH64)
			recompute(t, copy, h.Path, []string{"md5sum"}, h.MD5)
			recompute(t, copy, h.Path, []string{"sha1sum"}, h.SHA1)
		}
	}
	for name, data := range entries(t, copy) {
		if data != nil && !strings.HasPrefix(name, "ascmhl/") && !listed[name] {
			t.Errorf("%s is in no manifest of %s", name, copy)
		}
	}
}

func xmllint(t *testing.T, schema, file string) {
	t.Helper()
	if out, err := exec.Command("xmllint", "--nonet", "--noout", "--schema", schema, file).CombinedOutput(); err != nil {
		t.Errorf("xmllint: %v\n%s", err, out)
	}
}

func recompute(t *testing.T, copy, name string, program []string, want string) {
	t.Helper()
	if want == "" {
		return
	}
	in, err := os.Open(filepath.Join(copy, name))
	if err != nil {
		t.Errorf("%s is in the manifest: %v", name, err)
		return
	}
	defer in.Close()
	cmd := exec.Command(program[0], program[1:]...)
	cmd.Stdin = in
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v", program[0], err)
	}
	if got := strings.Fields(string(out))[0]; strings.TrimPrefix(got, "XXH3_") != want {
		t.Errorf("%s: %s says %s, the manifest %s", name, program[0], got, want)
	}
}
