package ledger

import (
	"slices"
	"strings"
	"testing"
)

// What manifests tell of and what a ledger tells of is one offload when it holds
// the same, in whatever order they come; when one file differs it is two.
func TestImport_manifestsAndLedger(t *testing.T) {
	t.Parallel()
	other := files(4)
	other[2].Checksum = "0123456789abcdef"
	fewer := files(3)
	for _, tt := range []struct {
		name        string
		files       []File
		ledgerFirst bool
		one         bool
	}{
		{"the same, manifests first", files(4), false, true},
		{"the same, ledger first", files(4), true, true},
		{"another checksum, manifests first", other, false, false},
		{"another checksum, ledger first", other, true, false},
		{"fewer, manifests first", fewer, false, false},
		{"fewer, ledger first", fewer, true, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			ctx, l := t.Context(), newLedger(t)
			must(t, l.PutDrive(ctx, drive(0)), l.PutDrive(ctx, drive(1)))
			told := Found{Offload: Offload{ID: "another-1", CardLabel: "SKUA_1", Verdict: "release", Bytes: bytesOf(files(4))}, Files: files(4),
				Copies: []Copy{{DriveID: drive(0).ID, Folder: "f", Status: CopyProven}}}
			found := Found{Offload: Offload{ID: FoundPrefix + "1", CardLabel: "f", Verdict: "hold", Bytes: bytesOf(tt.files)}, Files: tt.files,
				Copies: []Copy{{DriveID: drive(1).ID, Folder: "f", Status: CopyUnproven}}}
			list := []Found{found, told}
			if tt.ledgerFirst {
				slices.Reverse(list)
			}
			for range 2 { // the second time there is nothing new
				for _, f := range list {
					_, _, err := l.Import(ctx, f)
					must(t, err)
				}
			}
			got, err := l.Whereabouts(ctx)
			must(t, err)
			want := map[string][]string{"another-1": {drive(0).ID, drive(1).ID}}
			if !tt.one {
				want = map[string][]string{"another-1": {drive(0).ID}, FoundPrefix + "1": {drive(1).ID}}
			}
			if len(got) != len(want) {
				t.Fatalf("%d offloads: %+v", len(got), got)
			}
			for _, w := range got {
				var on []string
				for _, c := range w.Copies {
					if c.Status != CopyUnproven || c.Folder != "f" {
						t.Errorf("%+v", c)
					}
					on = append(on, c.DriveID)
				}
				if !slices.Equal(on, want[w.ID]) {
					t.Errorf("%s is on %v", w.ID, on)
				}
				if w.CardKey != "" {
					t.Errorf("%s recognises a card", w.ID)
				}
			}
		})
	}
}

// An offload of this box gains a copy by that, and not a proven one.
func TestImport_manifestsOfOurOwn(t *testing.T) {
	t.Parallel()
	ctx, l := t.Context(), newLedger(t)
	o := offload("card-a", 4)
	o.Bytes = bytesOf(files(4))
	o, err := l.BeginOffload(ctx, o)
	must(t, err)
	must(t, l.PutDrive(ctx, drive(0)), l.PutDrive(ctx, drive(1)), l.RecordFiles(ctx, o.ID, files(4)),
		l.UpdateOffload(ctx, o.ID, "hold", "one copy lacks", OffloadDone, at(1)))
	_, copies, err := l.Import(ctx, Found{Offload: Offload{ID: FoundPrefix + "1"}, Files: files(4),
		Copies: []Copy{{DriveID: drive(1).ID, Folder: "by-hand", Status: CopyUnproven}}})
	must(t, err)
	got, err := l.Copies(ctx, o.ID)
	must(t, err)
	if copies != 1 || len(got) != 1 || got[0].Status != CopyUnproven || got[0].Folder != "by-hand" {
		t.Errorf("%d, %+v", copies, got)
	}
}

func bytesOf(files []File) (n int64) {
	for _, f := range files {
		n += f.SizeBytes
	}
	return n
}

// Another ledger may know an offload of this box that it has not, or not any more,
// or invent one: the number is taken, and an offload that begins gets another.
func TestImport_takesNoNumberAway(t *testing.T) {
	t.Parallel()
	ctx, l := t.Context(), newLedger(t)
	must(t, l.PutDrive(ctx, drive(0)))
	for _, n := range []string{"2", "3", "5"} {
		_, _, err := l.Import(ctx, Found{Offload: Offload{ID: l.BoxID() + "-" + n}, Files: files(2), Copies: []Copy{{DriveID: drive(0).ID, Folder: "f" + n, Status: CopyProven}}})
		must(t, err)
	}
	for range 3 {
		o, err := l.BeginOffload(ctx, Offload{CardKey: "card", Folder: "g"})
		must(t, err)
		if o.Folder != "g" {
			t.Errorf("it is another's: %+v", o)
		}
	}
}

// A release that another ledger tells of is none of this box's: what it rests on was
// not read here, and the ledger may be forged.
func TestImport_holdsWhatOthersReleased(t *testing.T) {
	t.Parallel()
	ctx, l := t.Context(), newLedger(t)
	must(t, l.PutDrive(ctx, drive(0)))
	_, _, err := l.Import(ctx, Found{Offload: Offload{ID: "another-1", Verdict: "release", Reason: "2 files, each proven on 2 drives"},
		Files: files(2), Copies: []Copy{{DriveID: drive(0).ID, Folder: "f", Status: CopyProven}}})
	must(t, err)
	o, err := l.Offload(ctx, "another-1")
	must(t, err)
	if o.Verdict != "hold" || !strings.Contains(o.Reason, "each proven on 2 drives") {
		t.Errorf("%s: %s", o.Verdict, o.Reason)
	}
	list, err := l.Verdicts(ctx, "another-1")
	must(t, err)
	for _, v := range list {
		if v.Verdict != "hold" {
			t.Errorf("%+v", v)
		}
	}
}
