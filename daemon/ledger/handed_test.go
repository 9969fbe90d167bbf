package ledger

import (
	"slices"
	"testing"
)

func statusesOn(t *testing.T, l *Ledger, driveID string) (list []string) {
	t.Helper()
	all, err := l.Whereabouts(t.Context())
	must(t, err)
	for _, w := range all {
		for _, c := range w.Copies {
			if c.DriveID == driveID {
				list = append(list, c.Status)
			}
		}
	}
	return list
}

// A drive that becomes a shuttle counts no more, and counts again with what it
// held before when it is none any more; what it was brought as a shuttle never
// does.
func TestSetCounting(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	ctx := t.Context()
	must(t, l.PutDrive(ctx, drive(0)), l.PutDrive(ctx, drive(1)))
	whole, saved, handed, rotten, open := begin(t, l, "card-a", 3), begin(t, l, "card-b", 3), begin(t, l, "card-c", 3), begin(t, l, "card-d", 3), begin(t, l, "card-e", 3)
	wholeOn(t, l, whole, 0, 1)
	wholeOn(t, l, whole, 1, 1)
	wholeOn(t, l, rotten, 0, 1)
	for _, c := range []struct {
		o      Offload
		status string
	}{{saved, CopyIncomplete}, {handed, CopyHanded}, {open, CopyOpen}} {
		must(t, l.RecordProven(ctx, c.o.ID, drive(0).ID, paths(files(3)), at(2)),
			l.PutCopy(ctx, Copy{OffloadID: c.o.ID, DriveID: drive(0).ID, Folder: "f", Status: c.status, Updated: at(2)}))
	}
	must(t, l.SetCounting(ctx, drive(0).ID, false), l.SetCounting(ctx, drive(0).ID, false))
	if got := statusesOn(t, l, drive(0).ID); !slices.Equal(got, []string{CopyHanded, CopyHanded, CopyHanded, CopyHanded, CopyOpen}) {
		t.Fatalf("as a shuttle: %v", got)
	}
	if got := statusesOn(t, l, drive(1).ID); !slices.Equal(got, []string{CopyProven}) {
		t.Errorf("another drive: %v", got)
	}
	known, err := l.KnownFiles(ctx, "card-a")
	must(t, err)
	for _, k := range known {
		for _, p := range k.On {
			if p.DriveID == drive(0).ID && p.CopyStatus == CopyProven {
				t.Errorf("%s counts: %+v", k.Path, p)
			}
		}
	}
	if n, err := l.DriveCopyCount(ctx, drive(0).ID); n != 0 || err != nil {
		t.Errorf("%d copies, %v", n, err)
	}
	must(t, l.RecordUnproven(ctx, rotten.ID, drive(0).ID, paths(files(1))))
	must(t, l.SetCounting(ctx, drive(0).ID, true), l.SetCounting(ctx, drive(0).ID, true), l.SetCounting(ctx, "unheard of", true))
	if got := statusesOn(t, l, drive(0).ID); !slices.Equal(got, []string{CopyProven, CopyIncomplete, CopyHanded, CopyHanded, CopyOpen}) {
		t.Errorf("as a drive: %v", got)
	}
}
