package ledger

import (
	"errors"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// What becomes of a drive's identity is remembered, in order, and nothing that the
// drive holds is forgotten.
func TestRetire_remembersAndKeeps(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := openLedger(t, path)
	fill(t, l)
	before, err := readAll(t.Context(), l)
	must(t, err)
	d := drive(0)
	renamed := d
	renamed.Name, renamed.LastSeen = "kittiwake", at(20)
	must(t, l.PutDrive(t.Context(), renamed),
		l.Retire(t.Context(), d.ID, true, at(21)), l.Retire(t.Context(), d.ID, true, at(22)), // the second says nothing new
		l.PutDrive(t.Context(), renamed)) // that it is seen does not bring it back
	l = openLedger(t, copyOf(t, l))
	list, err := l.Drives(t.Context())
	must(t, err)
	for _, known := range list {
		if known.Retired != (known.ID == d.ID) {
			t.Errorf("%+v", known)
		}
	}
	must(t, l.Retire(t.Context(), d.ID, false, at(23)))
	events, err := l.DriveEvents(t.Context())
	must(t, err)
	want := map[string][]DriveEvent{d.ID: {
		{DriveRenamed, "kittiwake", d.Name, at(20)}, {DriveRetired, "kittiwake", "kittiwake", at(21)}, {DriveEnrolled, "kittiwake", "kittiwake", at(23)},
	}}
	if diff := cmp.Diff(want, events); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	must(t, l.PutDrive(t.Context(), d))
	after, err := readAll(t.Context(), l)
	must(t, err)
	if diff := cmp.Diff(before, after); diff != "" {
		t.Errorf("renamed, retired and back, it is not as it was (-before +after):\n%s", diff)
	}
	if err := l.Retire(t.Context(), "nobody", true, at(24)); !errors.Is(err, ErrUnknown) {
		t.Errorf("a drive that nobody knows: %v", err)
	}
	// A drive that comes with a ledger in which it is retired is so here, too.
	other := drive(7)
	other.Retired = true
	must(t, l.PutDrive(t.Context(), other))
	list, err = l.Drives(t.Context())
	must(t, err)
	for _, known := range list {
		if known.Retired != (known.ID == other.ID) {
			t.Errorf("%+v", known)
		}
	}
}

// copyOf is a ledger's file as it is on disk now.
func copyOf(t *testing.T, l *Ledger) string {
	t.Helper()
	path := l.path
	must(t, l.Close())
	return path
}

// A retirement that a dying disk takes back, or makes up, is damage.
func TestRetire_flipped(t *testing.T) {
	t.Parallel()
	for _, slip := range []string{
		"UPDATE drives SET retired = 1 - retired WHERE drive_no = 1", "UPDATE drives SET retired = 1 - retired WHERE drive_no = 2",
		"UPDATE drive_events SET what = 'enrolled'", "UPDATE drive_events SET name = 'x'", "UPDATE drive_events SET name_before = 'x'",
		"UPDATE drive_events SET drive_no = 2", "UPDATE drive_events SET at_since_boot_ns = 1",
	} {
		l := newLedger(t)
		fill(t, l)
		must(t, l.Retire(t.Context(), drive(0).ID, true, at(20)))
		_, err := l.write.ExecContext(t.Context(), slip)
		must(t, err)
		_, err = l.Drives(t.Context())
		_, err2 := l.DriveEvents(t.Context())
		if !errors.Is(errors.Join(err, err2), ErrDamaged) {
			t.Errorf("%s: %v, %v; want ErrDamaged", slip, err, err2)
		}
	}
}

func TestTakenOver(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	fill(t, l)
	if taken, err := l.TakenOver(t.Context(), "nobody"); err != nil || len(taken) != 0 {
		t.Errorf("%v, %v", taken, err)
	}
	id := drive(1).ID
	must(t, l.TakeOver(t.Context(), id, "ledger-x", "1"), l.TakeOver(t.Context(), id, "ledger-x", "2"), l.TakeOver(t.Context(), id, "", "all"))
	taken, err := l.TakenOver(t.Context(), id)
	must(t, err)
	if diff := cmp.Diff(map[string]string{"ledger-x": "2", "": "all"}, taken); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if err := l.TakeOver(t.Context(), "nobody", "x", "y"); !errors.Is(err, ErrUnknown) {
		t.Errorf("%v", err)
	}
}
