package mhl

import (
	"bytes"
	"maps"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bothy/daemon/checksum"
	"bothy/testdata/judges"
)

// tb is what *testing.T and *rapid.T have in common.
type tb interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

var noon = time.Date(2026, 11, 25, 14, 31, 5, 0, time.UTC)

// survey is an invented card of the seabird survey.
func survey() map[string]string {
	return map[string]string{
		"DCIM/100SKUA_/SKUA0001.JPG": "a skua on her nest",
		"DCIM/100SKUA_/SKUA0002.JPG": "the same skua, closer",
		"CLIPS/A003/A003C001.MOV":    strings.Repeat("waves ", 4000),
		"notes & <ledges>.txt":       "wind 7, \"south-west\"",
	}
}

// folder makes a folder with files, and an empty folder for names that end with
// a slash.
func folder(t tb, dir string, files map[string]string) *os.Root {
	t.Helper()
	for name, content := range files {
		full := filepath.Join(dir, filepath.FromSlash(name))
		if strings.HasSuffix(name, "/") {
			must(t, os.MkdirAll(full, 0o755))
			continue
		}
		must(t, os.MkdirAll(filepath.Dir(full), 0o755))
		must(t, os.WriteFile(full, []byte(content), 0o644))
	}
	root, err := os.OpenRoot(dir)
	must(t, err)
	return root
}

func tempFolder(t *testing.T, files map[string]string) *os.Root {
	t.Helper()
	root := folder(t, t.TempDir(), files)
	t.Cleanup(func() { root.Close() })
	return root
}

func must(t tb, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// generation makes what the engine would hand over for files.
func generation(t tb, files map[string]string, algorithm string, action Action) Generation {
	t.Helper()
	g := Generation{Folder: "skua-A003_20261125T1431Z", Process: Transfer, At: noon, ClockTrusted: true,
		Creator: Creator{Tool: "bothy", Version: "test", Hostname: "skerry-2"}}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if strings.HasSuffix(name, "/") {
			g.Dirs = append(g.Dirs, path.Clean(name))
			continue
		}
		g.Files = append(g.Files, FileHash{Path: name, SizeBytes: int64(len(files[name])), ModTime: noon.Add(-time.Hour),
			Algorithm: algorithm, Value: sumOf(t, algorithm, files[name]), Action: action, HashedAt: noon})
	}
	return g
}

func sumOf(t tb, algorithm, content string) string {
	t.Helper()
	h, err := checksum.New(algorithm)
	must(t, err)
	h.Write([]byte(content))
	return h.Sum()
}

// accepted has the standard's schemas judge every manifest and chain in dir
// through xmllint (libxml2), a program of others.
func accepted(t *testing.T, dir string) {
	t.Helper()
	manifests, chains := validates(t, dir, "ASCMHL.xsd", "*.mhl"), validates(t, dir, "ASCMHLDirectory.xsd", ChainName)
	if manifests == 0 || chains == 0 {
		t.Errorf("nothing to judge: %d manifests, %d chains", manifests, chains)
	}
}

// validates holds files whose names match against a schema, and counts them.
func validates(t *testing.T, dir, schema, pattern string) int {
	t.Helper()
	program := judges.Need(t, "xmllint")
	var found []string
	must(t, filepath.WalkDir(dir, func(name string, _ os.DirEntry, err error) error {
		if ok, _ := filepath.Match(pattern, filepath.Base(name)); ok {
			found = append(found, name)
		}
		return err
	}))
	if len(found) == 0 {
		return 0
	}
	argv := append([]string{"--noout", "--nonet", "--schema", filepath.Join("../../testdata/standards", schema)}, found...)
	if out, err := exec.Command(program, argv...).CombinedOutput(); err != nil {
		t.Errorf("xmllint: %v\n%s", err, out)
	}
	return len(found)
}

func read(t tb, root *os.Root, name string) []byte {
	t.Helper()
	data, err := root.ReadFile(name)
	must(t, err)
	return data
}

func change(t tb, root *os.Root, name, from, to string) {
	t.Helper()
	data := read(t, root, name)
	if !bytes.Contains(data, []byte(from)) {
		t.Fatalf("%s has no %q:\n%s", name, from, data)
	}
	must(t, root.WriteFile(name, bytes.Replace(data, []byte(from), []byte(to), 1), 0o644))
}
