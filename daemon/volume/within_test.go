package volume

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

func TestSameMount(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, name := range []string{"own/folder", "mounted/folder"} {
		if err := os.MkdirAll(filepath.Join(dir, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink("own", filepath.Join(dir, "link")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "file"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	for name, want := range map[string]error{
		"own": nil, "own/folder": nil, ".": nil, "link": unix.ENOTDIR, "link/folder": unix.ELOOP, "file": unix.ENOTDIR, "none": os.ErrNotExist, "../" + filepath.Base(dir): unix.EXDEV,
	} {
		err := SameMount(root, name)
		if errors.Is(err, ErrElsewhere) && want == unix.EXDEV {
			continue // leaving root is no better than crossing a mount
		}
		if !errors.Is(err, want) || (err == nil) != (want == nil) {
			t.Errorf("%s: %v, want %v", name, err, want)
		}
	}
	t.Run("mount", func(t *testing.T) {
		needRoot(t)
		at := filepath.Join(dir, "mounted")
		if err := unix.Mount("none", at, "tmpfs", 0, ""); err != nil {
			t.Fatal(err)
		}
		defer unix.Unmount(at, 0)
		if err := os.Mkdir(filepath.Join(at, "folder"), 0o755); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"mounted", "mounted/folder"} {
			if err := SameMount(root, name); !errors.Is(err, ErrElsewhere) {
				t.Errorf("%s: %v", name, err)
			}
		}
		// The same file system, and another mount of it all the same.
		bind := filepath.Join(dir, "own/folder")
		if err := unix.Mount(filepath.Join(dir, "own"), bind, "", unix.MS_BIND, ""); err != nil {
			t.Fatal(err)
		}
		defer unix.Unmount(bind, 0)
		if err := SameMount(root, "own/folder"); !errors.Is(err, ErrElsewhere) {
			t.Errorf("a bind mount: %v", err)
		}
	})
}
