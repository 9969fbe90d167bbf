package ledger

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestBegunBetween(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	must(t, l.PutDrive(ctx, drive(0)))
	from := time.Date(2026, 11, 25, 0, 30, 0, 0, time.UTC)
	to := from.AddDate(0, 0, 1)
	var want []string
	for _, began := range []struct {
		at time.Time
		in bool
	}{
		{from.Add(-time.Nanosecond), false}, {from, true}, {from.Add(time.Nanosecond), true}, {from.Add(23 * time.Hour), true},
		{to.Add(-time.Nanosecond), true}, {to, false}, {to.Add(time.Nanosecond), false}, {from.AddDate(0, 0, -1), false}, {time.Time{}, false},
		{from.Add(-15 * time.Minute), false}, {from.Add(time.Hour), true},
	} {
		o := offload("card", 2)
		o.Started = Moment{Wall: began.at}
		o, err := l.BeginOffload(ctx, o)
		must(t, err)
		must(t, l.PutCopy(ctx, Copy{OffloadID: o.ID, DriveID: "drive-0", Folder: o.ID, Status: CopyOpen}))
		if began.in {
			want = append(want, o.ID+" "+o.ID)
		}
	}
	list, err := l.BegunBetween(ctx, from, to)
	must(t, err)
	var got []string
	for _, w := range list {
		got = append(got, w.ID+" "+w.Copies[0].Folder)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("offloads (-want +got):\n%s", diff)
	}
}

func TestConditionsBetween(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	from := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	for hour := -2; hour < 30; hour++ {
		must(t, l.LogCondition(ctx, "drive-full", fmt.Sprint(hour), "", true, Moment{Wall: from.Add(time.Duration(hour) * time.Hour)}))
	}
	list, more, err := l.ConditionsBetween(ctx, from, from.AddDate(0, 0, 1), 10)
	must(t, err)
	if len(list) != 10 || more != 14 || list[0].Subject != "14" || list[9].Subject != "23" {
		t.Errorf("%d more, and %+v", more, list)
	}
}

// As many files as fill several portions, each with its proofs, in order.
func TestEachFile(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	for _, n := range []int{0, 1, filesAtOnce - 1, filesAtOnce, filesAtOnce + 1, 2*filesAtOnce + 7} {
		l := newLedger(t)
		must(t, l.PutDrive(ctx, drive(0)), l.PutDrive(ctx, drive(1)))
		other := begin(t, l, "other", 3)
		o := begin(t, l, "card", n)
		must(t, l.RecordFiles(ctx, o.ID, files(n)), l.RecordFiles(ctx, other.ID, files(3)))
		var all, some []string
		for i, f := range files(n) {
			if all = append(all, f.Path); i%3 == 0 {
				some = append(some, f.Path)
			}
		}
		must(t, l.RecordProven(ctx, o.ID, "drive-1", all, at(4)), l.RecordProven(ctx, o.ID, "drive-0", some, at(5)))
		must(t, l.RecordProven(ctx, other.ID, "drive-0", []string{file(0).Path, file(1).Path}, at(9)))
		i := 0
		for f, err := range l.EachFile(ctx, o.ID) {
			must(t, err)
			want := FileProofs{File: file(i), Proofs: []FileProof{{"drive-1", at(4)}}}
			if i%3 == 0 {
				want.Proofs = []FileProof{{"drive-0", at(5)}, {"drive-1", at(4)}}
			}
			if diff := cmp.Diff(want, f); diff != "" {
				t.Fatalf("file %d of %d (-want +got):\n%s", i, n, diff)
			}
			i++
		}
		if i != n {
			t.Errorf("%d files of %d", i, n)
		}
	}
}

func TestEachFile_ends(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	must(t, l.PutDrive(ctx, drive(0)))
	o := begin(t, l, "card", 3)
	must(t, l.RecordFiles(ctx, o.ID, files(3)), l.RecordProven(ctx, o.ID, "drive-0", []string{file(1).Path}, at(4)))
	first := func(ctx context.Context, id string) (err error) {
		for _, err = range l.EachFile(ctx, id) {
			if err != nil {
				return err
			}
		}
		return nil
	}
	for range l.EachFile(ctx, o.ID) {
		break // whoever has enough gets no more
	}
	must(t, first(ctx, o.ID))
	if err := first(ctx, "nobody-1"); !errors.Is(err, ErrUnknown) {
		t.Errorf("an offload that is not there: %v", err)
	}
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if err := first(ended, o.ID); !errors.Is(err, context.Canceled) {
		t.Errorf("nobody waits any more: %v", err)
	}
	for _, harm := range []string{
		"UPDATE proven SET proof_no = proof_no + 0, seal = seal + 1",
		"UPDATE proofs SET at_wall = '2026-11-25T00:00:00Z'",
		"UPDATE files SET checksum = 'f00' || substr(checksum, 4)",
	} {
		l := newLedger(t)
		must(t, l.PutDrive(ctx, drive(0)))
		o := begin(t, l, "card", 3)
		must(t, l.RecordFiles(ctx, o.ID, files(3)), l.RecordProven(ctx, o.ID, "drive-0", []string{file(1).Path}, at(4)))
		if _, err := l.write.ExecContext(ctx, harm); err != nil {
			t.Fatal(err)
		}
		err := error(nil)
		for _, err = range l.EachFile(ctx, o.ID) {
			if err != nil {
				break
			}
		}
		if !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v", harm, err)
		}
	}
}
