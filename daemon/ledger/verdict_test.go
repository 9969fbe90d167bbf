package ledger

import (
	"errors"
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Why a card was held or released at any past moment can be read back, and what
// was said twice in a row is told once.
func TestVerdicts(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	o := begin(t, l, "card-a", 1)
	if list, err := l.Verdicts(ctx, o.ID); err != nil || len(list) != 0 {
		t.Errorf("before the first: %v, %v", list, err)
	}
	other := begin(t, l, "card-b", 1)
	must(t, l.UpdateOffload(ctx, o.ID, "hold", "1 proven copy stands", OffloadOpen, at(1)),
		l.UpdateOffload(ctx, o.ID, "hold", "1 proven copy stands", OffloadOpen, at(2)),
		l.UpdateOffload(ctx, other.ID, "hold", "of the other", OffloadOpen, at(3)),
		l.UpdateOffload(ctx, o.ID, "hold", "1 proven copy stands", OffloadDone, at(4)),
		l.UpdateOffload(ctx, o.ID, "release", "2 proven copies stand", OffloadDone, at(5)),
		l.UpdateOffload(ctx, o.ID, "hold", "1 proven copy stands", OffloadDone, at(6)),
		l.UpdateOffload(ctx, o.ID, "hold", "none stands", OffloadDone, at(7)))
	got, err := l.Verdicts(ctx, o.ID)
	must(t, err)
	if diff := cmp.Diff([]Verdict{
		{"hold", "1 proven copy stands", OffloadOpen, at(1)},
		{"hold", "1 proven copy stands", OffloadDone, at(4)},
		{"release", "2 proven copies stand", OffloadDone, at(5)},
		{"hold", "1 proven copy stands", OffloadDone, at(6)},
		{"hold", "none stands", OffloadDone, at(7)},
	}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if _, err := l.Verdicts(ctx, "none-1"); !errors.Is(err, ErrUnknown) {
		t.Errorf("of an offload that is not there: %v", err)
	}
	must(t, func() error {
		_, err := l.write.ExecContext(ctx, "UPDATE verdicts SET offload_seq = ? WHERE offload_seq = ?", o.Seq, other.Seq)
		return err
	}())
	if _, err := l.Verdicts(ctx, o.ID); !errors.Is(err, ErrDamaged) {
		t.Errorf("a verdict that slipped to another offload: %v", err)
	}
}

// A drive that comes and goes fills no disk; and nobody else's verdicts go.
func TestVerdicts_areBounded(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	o, other := begin(t, l, "card-a", 1), begin(t, l, "card-b", 1)
	must(t, l.UpdateOffload(ctx, other.ID, "hold", "of the other", OffloadOpen, at(1)))
	const beyond = 3
	tx, err := l.write.BeginTx(ctx, nil)
	must(t, err)
	for n := range keptVerdicts + beyond {
		o.Verdict, o.Reason, o.Status = "hold", fmt.Sprint(n), OffloadOpen
		must(t, noteVerdict(ctx, tx, o, at(n%60)))
	}
	must(t, tx.Commit())
	list, err := l.Verdicts(ctx, o.ID)
	must(t, err)
	if len(list) != keptVerdicts || list[0].Reason != fmt.Sprint(beyond) || list[keptVerdicts-1].Reason != fmt.Sprint(keptVerdicts+beyond-1) {
		t.Errorf("%d kept, from %q", len(list), list[0].Reason)
	}
	var rows int
	must(t, l.read.QueryRowContext(ctx, "SELECT count(*) FROM verdicts").Scan(&rows))
	if rows != keptVerdicts+1 {
		t.Errorf("%d rows", rows)
	}
}

// What an older program has decided is known by the offload's own row, and goes
// on to be known when there is a newer verdict.
func TestVerdicts_ofBeforeTheyWereKept(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	o := begin(t, l, "card-a", 1)
	must(t, l.UpdateOffload(ctx, o.ID, "release", "then", OffloadDone, at(1)))
	_, err := l.write.ExecContext(ctx, "DELETE FROM verdicts")
	must(t, err)
	want := []Verdict{{"release", "then", OffloadDone, at(1)}}
	for _, step := range []func(){
		func() {},
		func() {
			must(t, l.UpdateOffload(ctx, o.ID, "hold", "now", OffloadDone, at(2)))
			want = append(want, Verdict{"hold", "now", OffloadDone, at(2)})
		},
	} {
		step()
		got, err := l.Verdicts(ctx, o.ID)
		must(t, err)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	}
}
