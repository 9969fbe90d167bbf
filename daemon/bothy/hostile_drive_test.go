package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// A destination in which the day's folder is something else: nothing is written
// through it, a sentence says what is the matter, and the other folder gets its
// copy.
func TestHostile_destinations(t *testing.T) {
	t.Parallel()
	for name, put := range map[string]func(full, outside string) error{
		"a link out":       func(full, outside string) error { return os.Symlink(outside, full) },
		"a link around":    func(full, _ string) error { return os.Symlink("mine", full) },
		"a link to itself": func(full, _ string) error { return os.Symlink(filepath.Base(full), full) },
		"a file":           func(full, _ string) error { return os.WriteFile(full, []byte("mine"), 0o644) },
		"a pipe":           func(full, _ string) error { return unix.Mkfifo(full, 0o644) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			base := memoryFolder(t)
			for _, dir := range []string{"card", "good", "bad/mine", "outside"} {
				if err := os.MkdirAll(filepath.Join(base, dir), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			if err := os.WriteFile(base+"/card/SKUA0001.JPG", []byte("invented"), 0o644); err != nil {
				t.Fatal(err)
			}
			for _, day := range []time.Time{time.Now().UTC(), time.Now().UTC().AddDate(0, 0, 1)} { // midnight may come
				if err := put(base+"/bad/"+day.Format("2006-01-02"), base+"/outside"); err != nil {
					t.Fatal(err)
				}
			}
			r := measured(t, "copy", base+"/card", "--to", base+"/good", "--to", base+"/bad")
			if r.code != 1 || !strings.Contains(r.out+r.errs, "where a folder must be") {
				t.Errorf("code %d: %s%s", r.code, r.out, r.errs)
			}
			if copies, err := filepath.Glob(base + "/good/*/*/ascmhl"); err != nil || len(copies) != 1 {
				t.Errorf("copies in the good folder: %v %v", copies, err)
			}
			for _, dir := range []string{"outside", "bad/mine"} {
				if entries, err := os.ReadDir(base + "/" + dir); err != nil || len(entries) > 0 {
					t.Errorf("in %s stand %v, %v", dir, entries, err)
				}
			}
			if entries, err := os.ReadDir(base + "/bad"); err != nil || len(entries) != 3 {
				t.Errorf("in the bad folder stand %v, %v", entries, err)
			}
		})
	}
}
