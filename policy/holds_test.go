package policy

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/fstest"
	"time"
)

// brokenFS is a card that cannot be read.
type brokenFS struct{}

func (brokenFS) Open(name string) (fs.File, error) {
	return nil, &fs.PathError{Op: "open", Path: name, Err: syscall.EIO}
}

// hostileFS makes up its entries: those that each folder lists come from list,
// which is asked for the n-th entry until it says false. It counts what is
// asked of it.
type hostileFS struct {
	list   func(dir string, n int) (fs.DirEntry, bool)
	opened map[string]int
	given  *int
}

func (h hostileFS) Open(name string) (fs.File, error) {
	h.opened[name]++
	return &hostileDir{fs: h, name: name}, nil
}

type hostileDir struct {
	fs   hostileFS
	name string
	next int
}

func (d *hostileDir) Stat() (fs.FileInfo, error) { return nil, errors.New("no stat") }
func (d *hostileDir) Read([]byte) (int, error)   { return 0, errors.New("no read") }
func (d *hostileDir) Close() error               { return nil }

func (d *hostileDir) ReadDir(n int) ([]fs.DirEntry, error) {
	var entries []fs.DirEntry
	for len(entries) < n {
		entry, ok := d.fs.list(d.name, d.next)
		if !ok {
			return entries, io.EOF
		}
		d.next++
		*d.fs.given++
		entries = append(entries, entry)
	}
	return entries, nil
}

// made is a made-up entry: of any name and mode.
type made struct {
	name string
	mode fs.FileMode
}

func (m made) Name() string               { return m.name }
func (m made) IsDir() bool                { return m.mode.IsDir() }
func (m made) Type() fs.FileMode          { return m.mode.Type() }
func (m made) Info() (fs.FileInfo, error) { return m, nil }
func (m made) Size() int64                { return 0 }
func (m made) Mode() fs.FileMode          { return m.mode }
func (m made) ModTime() time.Time         { return time.Time{} }
func (m made) Sys() any                   { return nil }

func hostile(list func(dir string, n int) (fs.DirEntry, bool)) hostileFS {
	return hostileFS{list: list, opened: map[string]int{}, given: new(int)}
}

func TestHolds(t *testing.T) {
	t.Parallel()
	card := fstest.MapFS{
		"DCIM/100SKUAS/SKUA0001.JPG": {}, "Sound/zoom.wav": {}, "Ærø/x": {}, "empty": {Mode: fs.ModeDir}, "README": {},
	}
	for pattern, want := range map[string]bool{
		"DCIM": true, "dcim": true, "DCIM/*": true, "DCIM/???SKUAS/*.jpg": true, "dcim/1*/skua[0-9]*": true,
		"DCIM/101*": false, "*.WAV": false, "sound/*.WAV": true, "*/*.wav": true, "ærø/X": true,
		"empty": true, "empty/*": false, "README/*": false, "README": true, "DCIM/*/*/*": false, "[": false,
	} {
		found, doubt := (&look{tree: card}).holds(pattern)
		if found != want || doubt != "" {
			t.Errorf("holds %q: %v, doubt %q; want %v without doubt", pattern, found, doubt, want)
		}
	}
}

// TestHolds_manyEntries has a card of a million entries at its top. (Fault 39
// of the failure catalogue.)
func TestHolds_manyEntries(t *testing.T) {
	t.Parallel()
	tree := hostile(func(dir string, n int) (fs.DirEntry, bool) {
		if dir != "." {
			return nil, false
		}
		if n == 999_999 {
			return made{"DCIM", fs.ModeDir}, true
		}
		return made{fmt.Sprintf("junk%06d", n), 0}, n < 1_000_000
	})
	found, doubt := (&look{tree: tree}).holds("DCIM/*")
	if found || doubt == "" {
		t.Errorf("found %v, doubt %q; want not found, with doubt", found, doubt)
	}
	if *tree.given > maxPathEntries {
		t.Errorf("%d entries were asked for, want %d at most", *tree.given, maxPathEntries)
	}
	if found, _ = (&look{tree: tree}).holds("junk019999"); !found {
		t.Error("the last entry within the bound is not found")
	}
}

// TestHolds_endlessWidth has folders without end in each folder, so that each
// pattern could open any number of them.
func TestHolds_endlessWidth(t *testing.T) {
	t.Parallel()
	tree := hostile(func(_ string, n int) (fs.DirEntry, bool) { return made{fmt.Sprintf("d%d", n), fs.ModeDir}, n < 1000 })
	l := &look{tree: tree}
	for range 100 {
		if found, doubt := l.holds("*/*/*/x"); found || doubt == "" {
			t.Fatalf("found %v, doubt %q; want not found, with doubt", found, doubt)
		}
	}
	if *tree.given > maxTotalEntries+100*listBatch {
		t.Errorf("%d entries were asked for, want about %d at most", *tree.given, maxTotalEntries)
	}
}

// TestHolds_depth has a folder in a folder 10,000 deep.
func TestHolds_depth(t *testing.T) {
	t.Parallel()
	tree := hostile(func(dir string, n int) (fs.DirEntry, bool) {
		return made{"d", fs.ModeDir}, n == 0 && strings.Count(dir, "/") < 10_000
	})
	for pattern, want := range map[string]bool{"d/d/d/d/d/d": true, "d/d/d/d/d/x": false, strings.Repeat("d/", 9000) + "d": false} {
		if found, _ := (&look{tree: tree}).holds(pattern); found != want {
			t.Errorf("%.20q found: %v, want %v", pattern, found, want)
		}
	}
	for dir := range tree.opened {
		if strings.Count(dir, "/") >= maxHoldsDepth-1 {
			t.Errorf("folder %.40q was opened", dir)
		}
	}
}

// TestHolds_evilEntries has names that a path must not be made of, and kinds
// that must not be followed.
func TestHolds_evilEntries(t *testing.T) {
	t.Parallel()
	evil := []fs.DirEntry{
		made{"..", fs.ModeDir}, made{".", fs.ModeDir}, made{"a/b", fs.ModeDir}, made{"", fs.ModeDir}, made{"/etc", fs.ModeDir}, nil,
		made{"link", fs.ModeSymlink}, made{"fifo", fs.ModeNamedPipe}, made{"device", fs.ModeDevice}, made{"socket", fs.ModeSocket},
	}
	tree := hostile(func(_ string, n int) (fs.DirEntry, bool) {
		if n >= len(evil) {
			return nil, false
		}
		return evil[n], true
	})
	for _, pattern := range []string{"*", "*/*", "..", "../*", "link", "fifo/*", "device", "socket", "a/b", `\.\./*`} {
		if found, doubt := (&look{tree: tree}).holds(pattern); found || doubt != "" {
			t.Errorf("%q: found %v, doubt %q", pattern, found, doubt)
		}
	}
	for dir := range tree.opened {
		if dir != "." {
			t.Errorf("%q was opened", dir)
		}
	}
}

// TestHolds_idleReader has folders that break io/fs's contract: neither
// entries nor an error, for ever.
func TestHolds_idleReader(t *testing.T) {
	t.Parallel()
	if found, _ := (&look{tree: idleFS{}}).holds("*"); found {
		t.Error("found something in nothing")
	}
}

type idleFS struct{}

func (idleFS) Open(string) (fs.File, error) { return idleDir{}, nil }

type idleDir struct{ fs.File }

func (idleDir) Close() error                       { return nil }
func (idleDir) ReadDir(int) ([]fs.DirEntry, error) { return nil, nil }

// TestHolds_realLinks has a real folder with a link that leads out of it.
func TestHolds_realLinks(t *testing.T) {
	t.Parallel()
	outside := t.TempDir()
	if err := os.WriteFile(filepath.Join(outside, "secret"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	card := t.TempDir()
	if err := os.Symlink(outside, filepath.Join(card, "DCIM")); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(card)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close() //nolint:errcheck // only read
	for name, tree := range map[string]fs.FS{"DirFS": os.DirFS(card), "Root": root.FS()} {
		for _, pattern := range []string{"DCIM", "DCIM/*", "DCIM/secret"} {
			if found, _ := (&look{tree: tree}).holds(pattern); found {
				t.Errorf("%s: %q is found through a link", name, pattern)
			}
		}
	}
}
