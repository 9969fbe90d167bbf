package ledger

import (
	"errors"
	"path/filepath"
	"testing"
)

// Names that another ledger gives lead nowhere else: files are put in their place
// by them, and folders of work are called by them and removed.
func TestImport_namesThatLeadOut(t *testing.T) {
	t.Parallel()
	l, err := Open(t.Context(), filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if err := l.PutDrive(t.Context(), Drive{ID: "d1", Name: "one"}); err != nil {
		t.Fatal(err)
	}
	sound := func() Found {
		return Found{
			Offload: Offload{ID: "theirs-1", Folder: "2026-11-25/SKUA", Checksum: "xxh128", Verify: "read-back", Verdict: "hold"},
			Files:   []File{{Path: "DCIM/a.jpg", SizeBytes: 1, Algorithm: "xxh128", Checksum: "00"}},
			Copies:  []Copy{{DriveID: "d1", Folder: "2026-11-25/SKUA", Status: CopyProven, ManifestPath: "ascmhl/0001.mhl"}},
		}
	}
	for name, change := range map[string]func(f *Found){
		"id":               func(f *Found) { f.Offload.ID = "x/../../2026-11-25" },
		"folder":           func(f *Found) { f.Offload.Folder = "../x" },
		"folder of a copy": func(f *Found) { f.Copies[0].Folder = "." },
		"manifest":         func(f *Found) { f.Copies[0].ManifestPath = "/etc/x" },
		"file":             func(f *Found) { f.Files[0].Path = "../other/ascmhl/0001.mhl" },
	} {
		f := sound()
		change(&f)
		if _, _, err := l.Import(t.Context(), f); !errors.Is(err, errLeadsOut) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if n, _, err := l.Import(t.Context(), sound()); err != nil || n != 1 {
		t.Errorf("a sound one: %d, %v", n, err)
	}
}
