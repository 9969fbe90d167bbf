package ledger

import (
	"errors"
	"maps"
	"slices"
	"testing"
)

// wholeOn records that every file of an offload is proven on a drive, and the copy.
func wholeOn(t *testing.T, l *Ledger, o Offload, n int, second int) {
	t.Helper()
	must(t, l.RecordProven(t.Context(), o.ID, drive(n).ID, paths(files(o.Files)), at(second)),
		l.PutCopy(t.Context(), Copy{OffloadID: o.ID, DriveID: drive(n).ID, Folder: o.Folder, Status: CopyProven, Updated: at(second)}))
}

func rounds(t *testing.T, l *Ledger, drives ...int) []Round {
	t.Helper()
	var ids []string
	for _, n := range drives {
		ids = append(ids, drive(n).ID)
	}
	list, err := l.Rounds(t.Context(), ids...)
	must(t, err)
	return list
}

func named(list []Round) (names []string) {
	for _, r := range list {
		names = append(names, r.Offload.ID[len(r.Offload.ID)-1:]+" on "+r.Copy.DriveID)
	}
	return names
}

// The copy that was proven whole the longest ago comes first, in the order of the
// proofs, whatever the clock said; and one that was proven again comes last.
func TestRounds(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	ctx := t.Context()
	for n := range 3 {
		must(t, l.PutDrive(ctx, drive(n)))
	}
	first, second, open := begin(t, l, "card-a", 6), begin(t, l, "card-b", 4), begin(t, l, "card-c", 4)
	wholeOn(t, l, first, 0, 50) // the clock was fast
	wholeOn(t, l, second, 1, 10)
	wholeOn(t, l, first, 1, 20)
	must(t, l.RecordProven(ctx, open.ID, drive(0).ID, paths(files(2)), at(30)),
		l.PutCopy(ctx, Copy{OffloadID: open.ID, DriveID: drive(0).ID, Folder: "f", Status: CopyOpen, Updated: at(30)}))
	list := rounds(t, l, 0, 1, 2)
	if got, want := named(list), []string{"1 on drive-0", "2 on drive-1", "1 on drive-1"}; !slices.Equal(got, want) {
		t.Fatalf("%v, want %v", got, want)
	}
	if !list[0].At.Wall.Equal(at(50).Wall) || list[0].At.BootID != at(50).BootID || list[0].Copy.Folder != first.Folder {
		t.Errorf("%+v", list[0])
	}
	if got := named(rounds(t, l, 1)); !slices.Equal(got, []string{"2 on drive-1", "1 on drive-1"}) {
		t.Errorf("on one drive: %v", got)
	}
	r := list[0]
	since := func() []string {
		t.Helper()
		done, err := l.ProvenSince(ctx, first.ID, drive(0).ID, r.ProvenUpTo)
		must(t, err)
		return slices.Sorted(maps.Keys(done))
	}
	if got := since(); len(got) != 0 {
		t.Errorf("proven in this round: %v", got)
	}
	// A part of it is proven again: the round goes on where it was.
	must(t, l.RecordProven(ctx, first.ID, drive(0).ID, paths(files(2)), at(40)))
	if got := since(); !slices.Equal(got, paths(files(2))) {
		t.Errorf("proven in this round: %v", got)
	}
	if again := rounds(t, l, 0)[0]; again.ProvenUpTo != r.ProvenUpTo {
		t.Errorf("the round is another: %d, %d", again.ProvenUpTo, r.ProvenUpTo)
	}
	if err := l.RoundDone(ctx, r, "ascmhl/0002.mhl", "c4", at(41)); !errors.Is(err, ErrRefused) {
		t.Errorf("a round that is not over: %v", err)
	}
	must(t, l.RecordProven(ctx, first.ID, drive(0).ID, paths(files(6)[2:]), at(42)), l.RoundDone(ctx, r, "ascmhl/0002.mhl", "c4", at(43)))
	if got, want := named(rounds(t, l, 0, 1)), []string{"2 on drive-1", "1 on drive-1", "1 on drive-0"}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	copies, err := l.Copies(ctx, first.ID)
	must(t, err)
	if c := copies[0]; c.ManifestPath != "ascmhl/0002.mhl" || c.ManifestC4 != "c4" || c.Status != CopyProven {
		t.Errorf("%+v", c)
	}
}

// What is not proven any more is in no round, and ends none.
func TestRounds_damage(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	ctx := t.Context()
	must(t, l.PutDrive(ctx, drive(0)))
	o := begin(t, l, "card-a", 6)
	wholeOn(t, l, o, 0, 10)
	r := rounds(t, l, 0)[0]
	must(t, l.RecordProven(ctx, o.ID, drive(0).ID, paths(files(6)), at(20)), l.RecordUnproven(ctx, o.ID, drive(0).ID, paths(files(1))))
	if list := rounds(t, l, 0); len(list) != 0 {
		t.Errorf("%v", named(list))
	}
	if err := l.RoundDone(ctx, r, "m", "c", at(30)); !errors.Is(err, ErrRefused) {
		t.Errorf("a damaged copy was proven whole: %v", err)
	}
	void := begin(t, l, "card-b", 3)
	wholeOn(t, l, void, 0, 30)
	must(t, l.UpdateOffload(ctx, void.ID, "hold", "another card", OffloadVoid, at(31)))
	if list := rounds(t, l, 0); len(list) != 0 {
		t.Errorf("%v", named(list))
	}
	if list := rounds(t, l, 7); len(list) != 0 {
		t.Errorf("of a drive that nobody knows: %v", named(list))
	}
	if _, err := l.ProvenSince(ctx, o.ID, "nobody", 0); !errors.Is(err, ErrUnknown) {
		t.Errorf("%v", err)
	}
}

// The oldest proof is the one that was taken first, of those by a clock that was
// right; the others are counted.
func TestProofAges(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	ctx := t.Context()
	ages := func(n int) ProofAges {
		t.Helper()
		a, err := l.ProofAges(ctx, drive(n).ID)
		must(t, err)
		return a
	}
	must(t, l.PutDrive(ctx, drive(0)), l.PutDrive(ctx, drive(1)))
	if got := ages(0); got != (ProofAges{}) {
		t.Errorf("of an empty drive: %+v", got)
	}
	blind, first, second, void := begin(t, l, "card-a", 3), begin(t, l, "card-b", 3), begin(t, l, "card-c", 3), begin(t, l, "card-d", 3)
	wrong := at(1)
	wrong.Trusted = false
	must(t, l.RecordProven(ctx, blind.ID, drive(0).ID, paths(files(3)), wrong),
		l.PutCopy(ctx, Copy{OffloadID: blind.ID, DriveID: drive(0).ID, Folder: blind.Folder, Status: CopyProven, Updated: wrong}))
	wholeOn(t, l, void, 0, 2)
	must(t, l.UpdateOffload(ctx, void.ID, "hold", "another card", OffloadVoid, at(3)))
	wholeOn(t, l, first, 0, 10)
	wholeOn(t, l, second, 0, 20)
	wholeOn(t, l, second, 1, 5)
	if got := ages(0); !got.Oldest.Wall.Equal(at(10).Wall) || got.Undated != 1 {
		t.Errorf("%+v", got)
	}
	// Proven again, it is the newest; and so is the one that had no date.
	again := func(o Offload, r Round, second int) {
		t.Helper()
		must(t, l.RecordProven(ctx, o.ID, drive(0).ID, paths(files(3)), at(second)), l.RoundDone(ctx, r, "m", "c", at(second)))
	}
	list := rounds(t, l, 0)
	again(blind, list[0], 30)
	again(first, list[1], 40)
	if got := ages(0); !got.Oldest.Wall.Equal(at(20).Wall) || got.Undated != 0 {
		t.Errorf("when two were proven again: %+v", got)
	}
	if got := ages(7); got != (ProofAges{}) {
		t.Errorf("of a drive that nobody knows: %+v", got)
	}
}
