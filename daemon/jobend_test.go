package daemon

import (
	"errors"
	"fmt"
	"testing"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// However a job ends that lost its card or was stopped: the verdict is hold with
// a reason, unless the card was released before, and then only what may happen
// to a released card leaves it so.
func TestJob_cardErr(t *testing.T) {
	t.Parallel()
	other := errors.New("the ledger is gone")
	for _, tc := range []struct {
		err      error
		released bool
		want     state.Verdict
	}{
		{offload.ErrCardGone, false, state.Hold},
		{offload.ErrCardChanged, false, state.Hold},
		{errStopping, false, state.Hold},
		{other, false, state.Hold},
		{offload.ErrCardGone, true, state.Release},
		{offload.ErrCardChanged, true, state.Release},
		{errStopping, true, state.Release},
		{other, true, state.Hold},
	} {
		j := &job{task: task{s: &supervisor{}}, early: newEarly()}
		if tc.released {
			j.early.released = "enough"
		}
		out := j.cardErr(t.Context(), fmt.Errorf("read: %w", tc.err))
		kind := state.HoldByFault
		if tc.want == state.Release {
			kind = state.NoHold
		}
		if out.verdict != tc.want || out.holdKind != kind || out.reason == "" || !errors.Is(out.cardErr, tc.err) {
			t.Errorf("%v, released before: %v: %s, %s, %q, %v", tc.err, tc.released, out.verdict, out.holdKind, out.reason, out.cardErr)
		}
		if out.verdict == state.Release && out.reason != "enough" {
			t.Errorf("%v: released because %q", tc.err, out.reason)
		}
	}
}

// What was never recorded is not looked for in the ledger, and what was gets the
// verdict.
func TestJob_update(t *testing.T) {
	t.Parallel()
	l := openLedger(t)
	o, err := l.BeginOffload(t.Context(), ledger.Offload{CardKey: "card"})
	if err != nil {
		t.Fatal(err)
	}
	j := &job{task: task{s: stillSupervisor(Config{})}}
	j.s.ledger = l
	j.out = outcome{verdict: state.Hold, reason: "one drive is missing", offloadIDs: []string{unrecorded + "1", o.ID}}
	j.update(t.Context(), ledger.OffloadOpen)
	got, err := l.Offload(t.Context(), o.ID)
	if err != nil || j.recorderErr != nil || got.Verdict != string(state.Hold) || got.Reason != j.out.reason {
		t.Errorf("%q because %q, %v, %v", got.Verdict, got.Reason, err, j.recorderErr)
	}
}
