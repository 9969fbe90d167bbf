package ledger

import (
	"errors"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// What is missing of a card's files is kept with the offload, under its seal,
// and replaced as a whole when the offload goes on.
func TestRecordSalvages(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := openLedger(t, path)
	o, err := l.BeginOffload(t.Context(), Offload{CardKey: "exfat:SKUA:1", Folder: "2026-11-25/skua", Checksum: "xxh128"})
	must(t, err)
	list := []Salvage{
		{Path: "DCIM/A.MOV", As: "DCIM/A.MOV.salvaged", SizeBytes: 40000, MissingBytes: 4608, Missing: [][2]int64{{4096, 8192}, {9216, 9728}}},
		{Path: "DCIM/B.MOV", SizeBytes: 512, MissingBytes: 512, Missing: [][2]int64{{0, 512}}},
		{MoreFiles: 3, SizeBytes: 3 << 40, MissingBytes: 1 << 40, MoreRanges: 1 << 20},
	}
	must(t, l.RecordSalvages(t.Context(), o.ID, []Salvage{{Path: "what an earlier run found"}}), l.RecordSalvages(t.Context(), o.ID, list))
	must(t, l.UpdateOffload(t.Context(), o.ID, "hold", "2 files could not be read whole", OffloadOpen, Moment{}))
	got, err := l.Offload(t.Context(), o.ID)
	must(t, err)
	if diff := cmp.Diff(list, got.Salvaged); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if err := l.RecordSalvages(t.Context(), "nobody-1", list); !errors.Is(err, ErrUnknown) {
		t.Errorf("an unknown offload: %v", err)
	}
	// Half of it taken away by somebody else is noticed.
	_, err = l.write.ExecContext(t.Context(), "UPDATE offloads SET salvaged = '[]'")
	must(t, err)
	if _, err := l.Offload(t.Context(), o.ID); !errors.Is(err, ErrDamaged) {
		t.Errorf("ranges were removed: %v", err)
	}
}
