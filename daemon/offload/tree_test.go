package offload

import (
	"bytes"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"time"

	"bothy/daemon/mhl"
)

// tree is what an invented card holds. It is kept apart from the card, and is
// the oracle that judges every copy.
type tree map[string]node

type node struct {
	dir  bool
	data []byte
	at   time.Time
}

const testFolder = "2026-11-25/skerry-1" // of the copy, on every drive

var testTime = time.Date(2026, 11, 25, 14, 31, 0, 123456789, time.UTC)

func file1(data []byte) node { return node{data: data, at: testTime} }

// noise gives bytes that differ from file to file and from block to block.
func noise(seed, n int) []byte {
	b := make([]byte, n)
	x := uint64(seed)*0x9E3779B97F4A7C15 + 1
	for i := range b {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		b[i] = byte(x)
	}
	return b
}

// write puts the tree below dir. Folders get their times last.
func (tr tree) write(t tester, dir string) {
	t.Helper()
	must := func(err error) {
		if err != nil {
			t.Fatalf("build card: %v", err)
		}
	}
	names := slices.Sorted(maps.Keys(tr))
	for _, name := range names {
		full := filepath.Join(dir, name)
		if tr[name].dir {
			must(os.MkdirAll(full, 0o755))
			continue
		}
		must(os.MkdirAll(filepath.Dir(full), 0o755))
		must(os.WriteFile(full, tr[name].data, 0o644))
	}
	for _, name := range slices.Backward(names) {
		must(os.Chtimes(filepath.Join(dir, name), tr[name].at, tr[name].at))
	}
}

// withFolders adds the folders that files lie in.
func (tr tree) withFolders() tree {
	for _, name := range slices.Collect(maps.Keys(tr)) {
		for d := path.Dir(name); d != "."; d = path.Dir(d) {
			if _, ok := tr[d]; !ok {
				tr[d] = node{dir: true, at: testTime.Add(-time.Hour)}
			}
		}
	}
	return tr
}

// differs compares a folder with the tree, but for a history of its own.
func (tr tree) differs(dir string) error {
	seen := map[string]bool{}
	err := filepath.WalkDir(dir, func(full string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, _ := filepath.Rel(dir, full)
		if name == "." {
			return nil
		}
		if name == mhl.FolderName && !tr[name].dir {
			return fs.SkipDir
		}
		want, ok := tr[name]
		if !ok {
			return fmt.Errorf("%q is not the card's", name)
		}
		seen[name] = true
		return want.differs(full, d)
	})
	if err == nil && len(seen) != len(tr) {
		for name := range tr {
			if !seen[name] {
				return fmt.Errorf("%q is missing", name)
			}
		}
	}
	return err
}

func (n node) differs(full string, d fs.DirEntry) error {
	info, err := d.Info()
	if err != nil {
		return err
	}
	if info.IsDir() != n.dir {
		return fmt.Errorf("%q is of another kind", full)
	}
	if !info.ModTime().Equal(n.at) {
		return fmt.Errorf("%q is of %v, not of %v", full, info.ModTime(), n.at)
	}
	if n.dir {
		return nil
	}
	got, err := os.ReadFile(full)
	if err == nil && !bytes.Equal(got, n.data) {
		err = fmt.Errorf("%q has other bytes (%d for %d)", full, len(got), len(n.data))
	}
	return err
}
